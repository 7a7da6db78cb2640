// The review desk: one cell at a time, every key handled here, nothing waits for a rerun of the page.
class Desk {
  constructor(root, store, proven) {
    this.root = root;
    this.historyKey = `desk:history:${store}`;
    this.$ = (selector) => root.querySelector(selector);
    this.off = new AbortController();
    this.history = storage.json(this.historyKey, []);
    this.proven = proven;                                  // who is logged in, where people log in
    this.by = proven || storage.get('desk:by') || '';
    this.keys = storage.get('desk:keys') !== 'off';
    this.windows = new Windows(root);
    this.outbox = new Outbox(store, (record, result) => this.answered(record, result), () => this.paint(), proven);
    this.wire();
    this.reset({});
    this.outbox.send();
  }

  reset(filter) {
    Object.assign(this, { filter, items: [], at: 0, pick: 0, left: 0, total: 0, complete: false, checking: null, loaded: false });
    this.fill();
  }

  // ---- the list -----------------------------------------------------------------------------------------------
  get item() { return this.items[this.at]; }
  open(from = 0) { return this.items.findIndex((item, i) => i >= from && !item.done); }

  async fill() {
    if (this.filling) { this.refill = true; return; }
    this.filling = true;
    const filter = this.filter;
    const limit = this.items.filter((i) => !i.done).length + this.outbox.size + 80;
    try {
      const reply = await fetch(`/desk/queue?${new URLSearchParams({ ...filter, limit })}`, { cache: 'no-store' });
      if (!reply.ok) throw new Error(reply.status);
      const found = await reply.json();
      if (filter === this.filter) this.take(found, limit);
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

  take(found, limit) {
    const before = this.item;
    const known = new Map(this.items.map((item) => [keyOf(item), item]));
    const leaving = new Set([...this.outbox.waiting.values()].filter((r) => r.action !== 'undo').map(keyOf));
    for (const item of found.items) {
      const old = known.get(keyOf(item));
      if (old) { if (!old.done) old.last = item.last; } else if (!leaving.has(keyOf(item))) this.items.push(item);
    }
    this.left = Math.max(0, found.open - leaving.size);
    this.progress = found.progress;
    this.complete = found.items.length < limit;
    this.loaded = true;
    if (!before) { const next = this.open(this.at); this.goto(next < 0 ? this.items.length : next, true); }
  }

  goto(index, silent = false) {
    this.at = Math.max(0, Math.min(index, this.items.length));
    this.pick = this.item && !this.item.done ? this.item.choices.findIndex((c) => c.suggested) : -1;
    this.$('#value').value = '';
    if (!silent) this.paint();
    if (!this.complete && this.items.length - this.at < 30) this.fill();
  }

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
    if (!item.done) this.left = Math.max(0, this.left - 1);
    item.refusal = '';
    item.done = { action, shown };
    const sure = item.asked !== undefined && item.asked === `${value}`;    // asked once, entered again
    const sent = this.send(item, action, sure ? { value, sure } : { value });
    this.history = [...this.history, { client: sent.client, seq: sent.seq, item: { ...item, done: null } }].slice(-100);
    storage.set(this.historyKey, JSON.stringify(this.history));
    this.root.focus({ preventScroll: true });
    if (typed && !this.outbox.lost) {                     // a typed value may be refused: wait a moment for the answer
      this.checking = keyOf(item);
      this.paint();
      setTimeout(() => { if (this.checking === keyOf(item)) { this.checking = null; this.onward(); } }, 1500);
    } else this.onward();
  }

  answered(record, result) {
    this.progress = this.outbox.progress ?? this.progress;
    const item = this.items.find((i) => keyOf(i) === keyOf(record));
    const waited = this.checking === keyOf(record) && record.action !== 'undo';
    if (waited) this.checking = null;
    if (item && result.last) item.last = result.last;
    if (!result.ok) {
      this.history = this.history.filter((h) => h.client !== record.client || h.seq !== record.seq);
      storage.set(this.historyKey, JSON.stringify(this.history));
      this.refused(record, result, item, waited);
    } else if (waited) this.onward();
    else this.paint();
  }

  refused(record, result, item, waited) {
    if (!item || record.action === 'undo' || result.gone) {
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
    this.send(item, 'undo', { of: { client: last.client, seq: last.seq } });
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
    };
    if (!this.checking || what === 'shut') steps[what]?.();
  }

  // ---- keys and pointers ----------------------------------------------------------------------------------------
  wire() {
    const on = (target, name, run, options = {}) => target.addEventListener(name, run, { ...options, signal: this.off.signal });
    on(window, 'keydown', (e) => this.keydown(e), { capture: true });
    on(window, 'online', () => this.outbox.send());
    on(this.root, 'click', (e) => {
      const button = e.target.closest?.('[data-do]');
      if (button) this.act(button.dataset.do);
      if (button && button.dataset.do !== 'whole') this.root.focus({ preventScroll: true });
    });
    on(this.$('.typed'), 'submit', (e) => {
      e.preventDefault();
      const text = this.$('#value').value.trim();
      if (text) this.decide('enter', text, { shown: text, typed: true });
    });
    on(this.$('.ask'), 'submit', (e) => {
      e.preventDefault();
      this.by = this.$('#name').value.trim();
      storage.set('desk:by', this.by);
      this.paint();
      this.root.focus({ preventScroll: true });
    });
    on(this.$('.who'), 'click', () => { this.$('#name').value = this.by; this.by = ''; this.paint(); this.$('#name').focus(); });
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
      if (e.key === 'Escape') { from.value = ''; this.root.focus({ preventScroll: true }); }
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
    const moves = { ArrowLeft: 'back', ArrowRight: 'skip', '+': 'whole', '?': 'illegible', ' ': 'blank', Backspace: 'undo' };
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
      return true;
    }
    const types = { code: /^\p{L}$/u, text: /^\p{L}$/u, tick: /$^/ }[item.kind] ?? /^[0-9.,]$/;
    if (types.test(e.key) && !this.checking) { this.$('#value').value = ''; this.$('#value').focus(); this.typing = true; }
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
    this.$('.ask').hidden = Boolean(this.by);
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
    this.$('.counts').replaceChildren(make('b', `${this.left} left`), ` · ${done} decided`,
      make('span', ` · ${this.progress?.accepted ?? 0} accepted by rule`));
    this.$('.who').textContent = `Reviewer: ${this.by}`;
    this.$('.who').hidden = Boolean(this.proven);          // the page itself says who is logged in
    this.$('.keys').checked = this.keys;
    const lost = this.$('.lost');
    lost.textContent = connection(this.outbox, this.offline);
    lost.hidden = !lost.textContent;
    const notices = this.$('.notices');
    notices.hidden = !this.notices?.length;
    notices.replaceChildren(...(this.notices ?? []).slice(-4).map((text) => make('li', text)));
  }

  cell(item) {
    this.$('.title').textContent = item.label;
    this.$('.where').textContent = item.where;
    this.why(item);
    const refusal = this.$('.refusal');
    refusal.hidden = !(item.refusal || this.flash);
    refusal.textContent = item.refusal || this.flash || '';
    this.buttons(item);
    this.$('.typed').hidden = item.kind === 'tick';
    this.$('.typed label').textContent = item.kind === 'text' ? 'Type what is written' : 'Type the value';
    this.$('#value').inputMode = ['tally', 'number', 'date', 'time'].includes(item.kind) ? 'numeric' : item.kind === 'decimal' ? 'decimal' : 'text';
    this.$('.hint').textContent = WORDS[item.kind];
    this.$('[data-do=blank]').disabled = item.kind === 'tick';
    this.$('[data-do=undo]').disabled = !this.history.length;
    this.$('[data-do=back]').disabled = this.at === 0;
    this.windows.show(item);
    this.windows.preload(this.items.slice(this.at, this.at + 60));
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
    const elsewhere = Object.keys(this.filter).length ? (this.progress?.open ?? 0) - skipped : 0;
    const waiting = this.outbox.size ? ` ${this.outbox.size} decisions are still on their way to the server.` : '';
    const text = skipped ? 'You have been through every cell here; the skipped ones still wait.'
      : elsewhere > 0 ? `Nothing waits in this selection; ${elsewhere} cells wait elsewhere. Choose other cells above.`
        : `Nothing waits for a person any more: ${this.progress?.decided ?? 0} cells were decided by people, `
          + `${this.progress?.accepted ?? 0} accepted by rule.`;
    this.$('.end h2').textContent = skipped ? `${skipped} skipped` : 'All done';
    this.$('.end p').textContent = text + waiting;
    this.$('.end [data-do=again]').hidden = !skipped;
    this.$('.end [data-do=undo]').hidden = !this.history.length;
    this.$('.live').textContent = `${this.$('.end h2').textContent}. ${text}${waiting}`;
  }

  close() { this.off.abort(); this.sizes.disconnect(); this.windowsSeen.disconnect(); this.outbox.close(); }
}

export default function ({ parentElement, data }) {
  const root = parentElement.querySelector('.desk');
  const filter = data?.filter ?? {};
  root.desk ??= new Desk(root, data?.store ?? '', data?.by ?? '');
  if (JSON.stringify(root.desk.filter) !== JSON.stringify(filter)) root.desk.reset(filter);
  return () => { root.desk?.close(); root.desk = null; };
}
