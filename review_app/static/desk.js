// The review desk: one cell at a time, every key handled here, nothing waits for a rerun of the page.
class Desk {
  constructor(root, store, proven) {
    this.root = root;
    this.historyKey = `desk:history:${store}`;
    this.$ = (selector) => root.querySelector(selector);
    this.off = new AbortController();
    this.history = storage.json(this.historyKey, []);
    this.proven = proven;                                  // who is logged in, where people log in
    this.who = new Who(root, () => { this.fill(); this.root.focus({ preventScroll: true }); }, proven);
    this.keys = storage.get('desk:keys') !== 'off';
    this.pace = storage.json('desk:pace', []);             // seconds between my last decisions
    this.touched = Date.now();
    this.turn = 0;                                         // how often cells were asked for: what a page asked that was left counts no more
    this.windows = new Windows(root, () => this.paint());
    this.outbox = new Outbox(store, (record, result) => this.answered(record, result), () => this.paint(), proven);
    this.wire();
    this.reset({});
  }

  reset(filter) {
    Object.assign(this, { filter, items: [], at: 0, pick: 0, left: 0, complete: false, checking: null, loaded: false, asking: false, found: {} });
    this.fill();
  }

  // ---- the list: cells are leased to this browser, so that nobody else is shown them --------------------------------
  get item() { return this.items[this.at]; }
  get by() { return this.who.name; }
  open(from = 0) { return this.items.findIndex((item, i) => i >= from && !item.done); }
  get pending() { return new Set([...this.outbox.waiting.values()].map(keyOf)); }

  post(address, data, more = {}) {
    return fetch(address, { method: 'POST', headers: { 'content-type': 'application/json', 'x-desk': 'decisions' }, body: JSON.stringify(data), ...more });
  }

  async fill(over = false) {
    if (!this.by) { this.paint(); return; }
    if (this.filling) { this.refill = true; return; }
    this.filling = true;
    await this.outbox.recalled;
    const { filter, pending } = this;
    const held = [...this.items.slice(this.at), ...this.items.slice(0, this.at)].filter((i) => !i.done && !pending.has(keyOf(i)));
    try {
      const reply = await this.post('/desk/take', { ...filter, client: this.outbox.client, turn: ++this.turn, by: this.by, over, holding: held.map((i) => [i.page, i.cell]).slice(0, 400) });
      if (reply.status === 401) this.outbox.loggedOut = true;
      if (!reply.ok) throw new Error(reply.status);
      const found = await reply.json();
      if (filter === this.filter) this.take(found);
      this.offline = false;
    } catch {
      this.offline = true;
      if (!this.off.signal.aborted) setTimeout(() => this.fill(), 2500);
    } finally {
      this.filling = false;
    }
    if (this.refill) { this.refill = false; this.fill(); }
    this.paint();
  }

  take(found) {
    const before = this.item;
    const known = new Map(this.items.map((item) => [keyOf(item), item]));
    const { pending } = this;
    for (const item of found.items) {
      const old = known.get(keyOf(item));
      if (old) { if (!old.done) Object.assign(old, { last: item.last, remarks: item.remarks }); } else if (!pending.has(keyOf(item))) this.items.push(item);
    }
    for (const [page, cell, words] of found.gone) {
      const item = known.get(keyOf({ page, cell }));
      if (!item || item.done || pending.has(keyOf(item))) continue;
      item.done = { action: 'gone', shown: '' };
      this.notices = [...(this.notices ?? []), `${item.title}, ${item.label}: ${words}.`];
    }
    this.found = found;
    this.left = Math.max(0, found.open - pending.size);
    this.progress = found.progress;
    this.complete = !found.more;
    this.loaded = true;
    if (!before) { const next = this.open(this.at); this.goto(next < 0 ? this.items.length : next, true); } else if (before.done?.action === 'gone') this.onward();
    clearTimeout(this.later);
    if (!this.item && (found.others.length || found.elsewhere)) this.later = setTimeout(() => this.active && this.fill(), 4000);
  }

  // Whoever has gone for a walk lets their cells go to others; a page that is closed does so at once.
  get active() { return document.visibilityState === 'visible' && Date.now() - this.touched < 300000; }
  leave() { if (this.by) this.post('/desk/leave', { client: this.outbox.client, turn: this.turn }, { keepalive: true }).catch(() => {}); }

  goto(index, silent = false) {
    this.at = Math.max(0, Math.min(index, this.items.length));
    this.pick = this.item && !this.item.done ? this.item.choices.findIndex((c) => c.suggested) : -1;
    this.asking = false;
    this.$('#value').value = '';
    if (!silent) this.paint();
    this.more();
  }

  more() { if (!this.complete && this.items.slice(this.at).filter((i) => !i.done).length < 12) this.fill(); }

  onward() {
    let next = this.open(this.at + 1);
    if (next < 0 && !this.items.slice(this.at).some((i) => !i.done)) next = this.items.length;
    this.goto(next < 0 ? this.items.length : next);
    if (this.at >= this.items.length) { this.complete = false; this.fill(); }
  }

  // ---- decisions ------------------------------------------------------------------------------------------------
  send(item, action, extra = {}) {
    return this.outbox.add({ page: item.page, sha256: item.sha256, cell: item.cell, last: item.last, by: this.by,
      name: `${item.title}, ${item.label}`, action, ...extra });
  }

  decide(action, value = null, { shown = '', typed = false } = {}) {
    const item = this.item;
    if (!item || this.checking) return;
    if (action !== 'ask' && this.windows.picture.refuses()) { this.paint(); return; }
    this.paced();
    if (!item.done) this.left = Math.max(0, this.left - 1);
    item.refusal = '';
    item.done = { action, shown };
    const sure = item.asked !== undefined && item.asked === `${value}`;    // asked once, entered again
    const sent = this.send(item, action, sure ? { value, sure } : { value });
    this.history = [...this.history, { client: sent.client, seq: sent.seq, action, item: { ...item, done: null } }].slice(-100);
    storage.set(this.historyKey, JSON.stringify(this.history));
    this.root.focus({ preventScroll: true });
    if (typed && !this.outbox.lost) {                     // a typed value may be refused: wait a moment for the answer
      this.checking = keyOf(item);
      this.paint();
      setTimeout(() => { if (this.checking === keyOf(item)) { this.checking = null; this.onward(); } }, 1500);
    } else this.onward();
  }

  paced() {
    const now = Date.now();
    const seconds = (now - (this.decided ?? now)) / 1000;
    this.decided = now;
    if (seconds <= 0 || seconds > 60) return;              // the first one, or a break
    this.pace = [...this.pace, Math.round(seconds * 10) / 10].slice(-40);
    storage.set('desk:pace', JSON.stringify(this.pace));
  }

  get timeLeft() {                                         // at the median pace of my last decisions
    if (this.pace.length < 5 || !this.left) return '';
    const seconds = [...this.pace].sort((a, b) => a - b)[Math.floor(this.pace.length / 2)] * this.left;
    return seconds < 55 ? 'under a minute at your pace' : `about ${Math.round(seconds / 60) < 90 ? `${Math.round(seconds / 60)} min` : `${Math.round(seconds / 3600)} h`} at your pace`;
  }

  answered(record, result) {
    this.progress = this.outbox.progress ?? this.progress;
    const item = this.items.find((i) => keyOf(i) === keyOf(record));
    if (item && result.ok && record.action === 'ask' && this.filter.asked) item.done = null;
    const waited = this.checking === keyOf(record) && record.action !== 'undo';
    if (waited) this.checking = null;
    if (item && result.last) item.last = result.last;
    if (!result.ok) {
      this.history = this.history.filter((h) => h.client !== record.client || h.seq !== record.seq);
      storage.set(this.historyKey, JSON.stringify(this.history));
      this.refused(record, result, item, waited);
    } else if (waited) this.onward();
    else this.paint();
    if (!this.outbox.size) { if (!this.item && this.loaded) this.complete = false; this.more(); }
  }

  refused(record, result, item, waited) {
    if (!item || ['undo', 'unask'].includes(record.action) || result.gone) {
      if (item && result.gone) item.done = { action: 'gone', shown: '' };
      this.notices = [...(this.notices ?? []), `${record.name}: ${result.sentence}`];
      if (item === this.item && item?.done) return this.onward();
      return this.paint();
    }
    if (item.done) this.left += 1;
    item.done = null;
    item.refusal = result.ask ? `${result.sentence} If it is so, enter it again.` : result.sentence;
    item.asked = result.ask ? `${record.value}` : undefined;
    if (item !== this.item) {                              // we have gone on: it comes next
      const from = this.items.indexOf(item);
      this.items.splice(from, 1);
      if (from < this.at) this.at -= 1;
      this.items.splice(Math.min(this.at + 1, this.items.length), 0, item);
      if (this.at >= this.items.length - 1) this.goto(this.items.indexOf(item), true);
      this.flash = 'An earlier entry was refused; it comes next.';
    } else {
      this.goto(this.at, true);
      if (waited) { this.$('#value').value = record.value ?? ''; this.$('#value').select(); }
    }
    return this.paint();
  }

  undo() {
    const last = this.history.at(-1);
    if (!last || this.checking) return;
    this.history = this.history.slice(0, -1);
    storage.set(this.historyKey, JSON.stringify(this.history));
    let index = this.items.findIndex((i) => keyOf(i) === keyOf(last.item));
    if (index < 0) { index = Math.min(this.at, this.items.length); this.items.splice(index, 0, last.item); }
    const item = this.items[index];
    item.done = null;
    this.left += 1;
    if (last.action === 'ask') this.send(item, 'unask'); else this.send(item, 'undo', { of: { client: last.client, seq: last.seq } });
    this.goto(index);
  }

  choose(choice) {
    if (!choice) { this.flash = 'Choose a value with the arrow keys, or type one.'; return this.paint(); }
    return this.decide(choice.value === null ? 'blank' : 'enter', choice.value, { shown: choice.text });
  }

  act(what) {
    const steps = {
      blank: () => this.item?.kind !== 'tick' && this.decide('blank', null, { shown: 'nothing written' }),
      illegible: () => this.decide('illegible', null, { shown: 'cannot be read' }),
      skip: () => { if (this.item) { if (!this.item.done) this.item.skipped = true; this.goto(this.at + 1); if (!this.item) this.fill(); } },
      back: () => this.goto(this.at - 1),
      undo: () => this.undo(),
      whole: () => this.item && this.windows.whole(this.item),
      shut: () => this.$('dialog').close(),
      again: () => this.goto(Math.max(0, this.open())),
      over: () => this.fill(true),
      ask: () => { if (this.item) { this.asking = true; this.paint(); this.$('#remark').focus(); this.$('.asking').scrollIntoView({ block: 'nearest' }); } },
      unask: () => { this.asking = false; this.paint(); },
    };
    if (!this.checking || what === 'shut') steps[what]?.();
  }

  // ---- keys and pointers ----------------------------------------------------------------------------------------
  wire() {
    const on = (target, name, run, options = {}) => target.addEventListener(name, run, { ...options, signal: this.off.signal });
    on(window, 'keydown', (e) => this.keydown(e), { capture: true });
    on(window, 'online', () => this.outbox.send());
    for (const name of ['keydown', 'pointerdown']) {
      on(window, name, () => { const away = !this.active; this.touched = Date.now(); if (away) this.fill(); }, { capture: true, passive: true });
    }
    on(window, 'pagehide', () => this.leave());
    this.renewing = setInterval(() => { if (this.active && this.loaded) this.fill(); }, 40000);
    on(this.root, 'click', (e) => {
      const button = e.target.closest?.('[data-do]');
      if (button) this.act(button.dataset.do);
      if (button && !['whole', 'ask'].includes(button.dataset.do)) this.root.focus({ preventScroll: true });
    });
    on(this.$('.typed'), 'submit', (e) => {
      e.preventDefault();
      const text = this.$('#value').value.trim();
      if (text) this.decide('enter', text, { shown: text, typed: true });
    });
    on(this.$('.asking'), 'submit', (e) => {
      e.preventDefault();
      this.asking = false;
      this.decide('ask', this.$('#remark').value.trim(), { shown: 'a colleague was asked' });
      this.$('#remark').value = '';
    });
    on(this.$('.who'), 'click', () => this.who.again());
    on(this.$('.keys'), 'change', (e) => {
      this.keys = e.target.checked;
      storage.set('desk:keys', this.keys ? 'on' : 'off');
      this.root.focus({ preventScroll: true });
      this.paint();
    });
    this.windowsSeen = withoutOwnWindow(this.root, () => this.fill());
    this.sizes = new ResizeObserver(() => this.item && this.windows.show(this.item));
    this.root.querySelectorAll('.glass').forEach((glass) => this.sizes.observe(glass));
  }

  keydown(e) {
    const from = e.composedPath()[0];
    if (from instanceof Element && this.root.contains(from) && from.matches('input:not([type=checkbox])')) {                 // the page's own shortcuts must not see what is typed here
      e.stopImmediatePropagation();
      if (e.key === 'Escape') { from.value = ''; if (from.id === 'remark') this.act('unask'); this.root.focus({ preventScroll: true }); }
      return;
    }
    if (e.ctrlKey || e.metaKey || e.altKey || !this.keys || !this.by) return;
    if (this.$('dialog').open) { if (e.key === '+') { e.preventDefault(); this.act('shut'); } return; }
    if (from.closest?.('input, textarea, select, [contenteditable], [role=dialog], [role=listbox], [role=combobox]')) return;
    if (from.closest?.('button, a, summary') && ['Enter', ' '].includes(e.key)) return;
    if (this.press(e)) { e.preventDefault(); e.stopImmediatePropagation(); } else if (this.typing) e.stopImmediatePropagation();
    this.typing = false;
  }

  press(e) {
    const { item } = this;
    const moves = { ArrowLeft: 'back', ArrowRight: 'skip', '+': 'whole', '?': 'illegible', '!': 'ask', ' ': 'blank', Backspace: 'undo' };
    if (moves[e.key]) { if (!e.repeat || e.key.startsWith('Arrow')) this.act(moves[e.key]); return true; }
    if (!item) return false;
    if (e.key === 'ArrowDown' || e.key === 'ArrowUp') {
      const count = item.choices.length;
      const step = e.key === 'ArrowDown' ? 1 : -1;
      if (count) this.pick = this.pick < 0 ? (step > 0 ? 0 : count - 1) : (this.pick + step + count) % count;
      this.paint();
      return true;
    }
    if (e.key === 'Enter') { if (!e.repeat) this.choose(item.choices[this.pick]); return true; }
    if (e.key === '/') { this.edit(item.choices[Math.max(0, this.pick)]); return true; }
    if (/^[0-9]$/.test(e.key) && PICKED_BY_DIGIT.has(item.kind)) {
      const choice = item.choices[Number(e.key) - 1];
      if (choice && !e.repeat) this.choose(choice);
      if (choice || item.kind !== 'text') return true;     // words may begin with a digit that chooses nothing
    }
    if (starts(item.kind, e.key) && !this.checking) { this.$('#value').value = ''; this.$('#value').focus(); this.typing = true; }
    return false;
  }

  edit(choice) {
    const field = this.$('#value');
    field.value = choice && choice.value !== null ? choice.text : '';
    field.focus();
  }

  // ---- drawing --------------------------------------------------------------------------------------------------
  paint() {
    const { item } = this;
    this.$('.work').hidden = !this.by || (this.loaded && !item) || !this.loaded;
    this.$('.end').hidden = !this.by || !this.loaded || Boolean(item);
    this.root.classList.toggle('quiet', !this.keys);
    this.bar();
    if (!this.by || !this.loaded) return;
    if (item) this.cell(item); else this.end();
    this.flash = '';
  }

  bar() {
    const onTheWay = [...this.outbox.waiting.values()].reduce((n, r) => n + (r.action === 'undo' ? -1 : 1), 0);
    const done = Math.max(0, (this.progress?.decided ?? 0) + onTheWay);
    const share = done + this.left ? Math.round((100 * done) / (done + this.left)) : 100;
    const track = this.$('.track');
    track.firstElementChild.style.width = `${share}%`;
    track.setAttribute('aria-valuenow', share);
    const { asked = 0, others = [] } = this.found;
    const time = this.timeLeft;
    this.$('.counts').replaceChildren(make('b', `${spaced(this.left)} left`), time ? `, ${time}` : '', ` · ${spaced(done)} decided`,
      make('span', ` · ${spaced(this.progress?.accepted ?? 0)} accepted by the program${asked ? ` · ${asked} asked` : ''}`));
    this.$('.beside').hidden = !others.length;
    this.$('.beside').textContent = `${others.join(', ')} ${others.length === 1 ? 'works' : 'work'} on other cells of this list.`;
    this.$('.who').textContent = `Reviewer: ${this.by}`;
    this.$('.who').hidden = Boolean(this.proven);          // the page itself says who is logged in
    this.$('.keys').checked = this.keys;
    troubles(this);
  }

  cell(item) {
    this.$('.title').textContent = item.label;
    this.$('.where').textContent = item.where;
    const { remarks = [] } = item;
    this.$('.remarks').hidden = !remarks.length;
    this.$('.remarks').replaceChildren(...remarks.map((r) => { const line = make('li'); line.append(make('b', `${r.by}, ${r.at}: `), r.text); return line; }));
    this.$('.asking').hidden = !this.asking;
    this.$('[data-do=ask]').hidden = this.asking;
    this.why(item);
    const refusal = this.$('.refusal');
    this.buttons(item);
    this.$('.typed').hidden = item.kind === 'tick';
    this.$('.typed label').textContent = item.kind === 'text' ? 'Type what is written' : 'Type the value';
    this.$('#value').inputMode = ['tally', 'number', 'date', 'time'].includes(item.kind) ? 'numeric' : item.kind === 'decimal' ? 'decimal' : 'text';
    this.$('.hint').replaceChildren(...(item.kind === 'text' ? [make('span', '/ corrects the suggestion', { class: 'by-key' })] : [WORDS[item.kind]]));
    this.$('[data-do=blank]').disabled = item.kind === 'tick';
    this.$('[data-do=undo]').disabled = !this.history.length;
    this.$('[data-do=back]').disabled = this.at === 0;
    this.windows.show(item);
    this.windows.preload(this.items.slice(this.at, this.at + 60));
    refusal.textContent = this.windows.picture.words || item.refusal || this.flash || '';
    refusal.hidden = !refusal.textContent;
    const suggestion = item.choices[this.pick];
    this.$('.live').textContent = this.flash || `${item.label}. ${item.where}. ${item.reasons.join(' ')} ${suggestion ? `Suggested: ${suggestion.text}.` : ''} ${this.left} left.`;
  }

  why(item) {
    const lines = item.reasons.map((text) => make('p', text));
    if (this.checking === keyOf(item)) lines.unshift(make('p', 'Storing …'));
    else if (item.done) lines.unshift(make('p', `Decided: ${item.done.shown}. Decide again, or take it back with Undo.`));
    this.$('.why').replaceChildren(...lines);
  }

  buttons(item) {                                          // drawn anew only when they change, so that focus stays
    const drawn = `${keyOf(item)} ${this.pick} ${this.keys}`;
    if (this.drawn === drawn) return;
    this.drawn = drawn;
    this.$('.choices').replaceChildren(...item.choices.map((choice, i) => this.button(item, choice, i)));
    const shown = new Set(item.choices.map((c) => c.value));
    this.$('.codes').replaceChildren(...item.codes.filter((c) => !shown.has(c.value)).map((c) => {
      const button = make('button', '', { type: 'button', 'aria-label': `${c.text} ${c.note}` });
      button.append(make('b', c.text), make('small', c.note));
      button.addEventListener('click', () => this.choose(c));
      return button;
    }));
  }

  button(item, choice, i) {
    const picked = i === this.pick;
    const button = make('button', '', { type: 'button', 'aria-pressed': picked });
    const value = make('b', choice.text);
    if (choice.note) value.append(make('small', choice.note));
    const rest = make('span', choice.share, { class: 'rest' });
    const key = picked ? 'Enter' : PICKED_BY_DIGIT.has(item.kind) ? `${i + 1}` : '';
    if (key) rest.append(make('kbd', key));
    button.append(value, rest);
    button.addEventListener('click', () => this.choose(choice));
    return button;
  }

  end() {
    const skipped = this.items.filter((i) => !i.done).length;
    const { others = [], elsewhere = 0, asked = 0 } = this.found;
    const away = Math.max(0, (this.progress?.open ?? 0) - skipped);
    const waiting = this.outbox.size ? ` ${this.outbox.size} decisions are still on their way to the server.` : '';
    const cells = (n) => `${n} ${n === 1 ? 'cell' : 'cells'}`;
    let [head, text] = ['All done', `Nothing waits for a person any more: ${spaced(this.progress?.decided ?? 0)} cells were decided by people, ${spaced(this.progress?.accepted ?? 0)} accepted by the program.`];
    if (skipped) [head, text] = [`${skipped} skipped`, 'You have been through every cell here; the skipped ones still wait.'];
    else if (elsewhere) [head, text] = ['The rest is open in another window of yours', `${cells(elsewhere)} wait there, or did until it was closed a moment ago.`];
    else if (others.length) [head, text] = ['The last ones are being looked at', `${others.join(', ')} ${others.length === 1 ? 'has' : 'have'} the last ${cells(this.left)} of this list. What they leave comes here by itself.`];
    else if (this.filter.asked) [head, text] = ['No question is open', 'No cell waits that a colleague was asked about.'];
    else if (asked && away === asked) [head, text] = ['Done, but for what was asked', `${cells(asked)} that a colleague was asked about still wait. Choose them above.`];
    else if (away) [head, text] = ['Done here', `Nothing waits in this selection; ${cells(away)} wait elsewhere. Choose other cells above.`];
    const key = this.progress?.to_key ?? 0;
    this.$('.end .key').hidden = !key;
    this.$('.end .key').textContent = `${cells(key)} of sheets whose photograph could not be read wait to be keyed by hand`;
    if (key && head === 'All done') [head, text] = ['Done here', 'No cell that was read waits for a person any more.'];
    this.$('.end h2').textContent = head;
    this.$('.end p').textContent = text + waiting;
    this.$('.end [data-do=again]').hidden = !skipped;
    this.$('.end [data-do=over]').hidden = Boolean(skipped) || !elsewhere;
    this.$('.end [data-do=undo]').hidden = !this.history.length;
    this.$('.live').textContent = `${head}. ${text}${waiting}`;
  }

  close() { this.leave(); clearInterval(this.renewing); clearTimeout(this.later); this.off.abort(); this.sizes.disconnect(); this.windowsSeen.disconnect(); this.outbox.close(); }
}

export default function ({ parentElement, data }) {
  const root = parentElement.querySelector('.desk');
  const filter = data?.filter ?? {};
  root.desk ??= new Desk(root, data?.store ?? '', data?.by ?? '');
  if (JSON.stringify(root.desk.filter) !== JSON.stringify(filter)) root.desk.reset(filter);
  return () => { root.desk?.close(); root.desk?.who.form.remove(); root.desk = null; };
}
