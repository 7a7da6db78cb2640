// Many at once: a sheet of crops that read the same; the odd ones are marked, the others confirmed together.
class Many {
  constructor(root, data) {
    this.root = root;
    this.$ = (selector) => root.querySelector(selector);
    this.pack = data.pack ?? '';
    Object.assign(this, { groups: [], items: [], odd: new Set(), unseen: new Set(), at: 0, key: null, which: 'rule', sheets: [], notices: [] });
    this.off = new AbortController();
    this.who = new Who(root, () => { this.paint(); this.focus(); }, data.by);
    this.outbox = new Outbox(data.store ?? '', (record, result) => this.answered(record, result), () => this.paint(), data.by);
    this.wire();
    this.load();
  }

  focus() { this.$('.grid').focus({ preventScroll: true }); }

  async ask(address) {
    const reply = await fetch(address, { cache: 'no-store' });
    if (!reply.ok) throw new Error(reply.status);
    return reply.json();
  }

  // ---- groups and sheets ----------------------------------------------------------------------------------------------
  async load(next = true) {
    await this.outbox.recalled;
    try {
      this.groups = (await this.ask(`/desk/groups?${new URLSearchParams({ pack: this.pack })}`)).groups;
      this.offline = false;
    } catch {
      this.offline = true;
      if (!this.off.signal.aborted) setTimeout(() => this.load(next), 2500);
      return this.paint();
    }
    this.loaded = true;
    const own = this.groups.find((g) => g.key === this.key);
    if (next && !own?.[this.which]) {
      const most = (which, own) => own.filter((g) => g[which]).sort((a, b) => b[which] - a[which])[0];
      const first = most('open', this.groups) ?? most('rule', this.groups.filter((g) => !this.blank(g))) ?? most('rule', this.groups);
      if (first) return this.go(first.key, first.open ? 'open' : 'rule');
      this.items = [];
    }
    return this.paint();
  }

  blank(group) { return group.key.endsWith(':'); }

  async go(key, which, again = false) {
    if (!again && key === this.key && which === this.which && (this.items.length || this.busy)) return;
    const turn = this.turn = (this.turn ?? 0) + 1;         // an answer that comes after something else was asked counts for nothing
    Object.assign(this, { key, which, busy: true });
    this.paint();
    try {
      const found = await this.ask(`/desk/alike?${new URLSearchParams({ key, which, pack: this.pack })}`);
      if (this.turn !== turn) return;
      const leaving = new Set([...this.outbox.waiting.values()].map(keyOf));
      this.items = found.items.filter((i) => !leaving.has(keyOf(i)));
      this.left = found.all;
      this.notices = [...new Set([...this.notices, ...found.lost])];
      this.odd = new Set();
      this.at = 0;
      this.offline = false;
      this.tiles();
    } catch { this.offline = true; if (this.turn === turn) setTimeout(() => { if (this.turn === turn && !this.off.signal.aborted) this.go(key, which, true); }, 2500); }
    this.busy = false;
    this.paint();
  }

  // ---- decisions ------------------------------------------------------------------------------------------------------
  send(item, action, extra = {}) {
    return this.outbox.add({ page: item.page, sha256: item.sha256, cell: item.cell, last: item.last, by: this.who.name, way: 'together',
      name: `${item.title}, ${item.label}`, action, ...extra });
  }

  confirm() {
    if (this.busy || !this.items.length) return;
    this.look();
    if (this.unseen.size) { this.further([...this.unseen][0]); return; }
    const sent = [];
    for (const item of this.items) {
      const odd = this.odd.has(keyOf(item));
      if (odd && item.open) continue;                      // it waits already
      if (odd) { this.send(item, 'open'); continue; }      // open from now on, also when the others are taken back
      const record = this.send(item, item.value === null ? 'blank' : 'enter', { value: item.value });
      sent.push({ client: record.client, seq: record.seq, item });
    }
    const odd = this.odd.size;
    this.sheets.push({ sent, odd, key: this.key, which: this.which });
    this.said = `${sent.length} confirmed${odd ? `, ${odd} odd ${odd === 1 ? 'one waits' : 'ones wait'} on the Review page` : ''}.`;
    this.items = [];
    this.turn += 1;
    this.after();
  }

  // What nobody has seen is not confirmed: tiles leave `unseen` when they stand above the buttons while somebody presses, points or scrolls,
  // not while the page is still being put together.
  get complete() { return [...this.$('.grid').querySelectorAll('img')].every((image) => image.complete); }   // before, tiles stand elsewhere
  get hidden() {
    if (!this.complete) return [...this.unseen];
    const end = Math.min(innerHeight, this.$('.foot').getBoundingClientRect().top) + 4;
    return [...this.unseen].filter((tile) => { const { top, bottom } = tile.getBoundingClientRect(); return top < 0 || bottom > end || top === bottom; });
  }

  look() { this.unseen = new Set(this.hidden); }

  further(tile) {
    this.at = [...this.$('.grid').children].indexOf(tile);
    tile.scrollIntoView({ block: 'start' });
    this.look();
    this.unseen.delete(tile);                              // however low the window is
    this.paint();
  }

  async after() {                                          // the next sheet comes when this one is stored
    this.busy = true;
    this.paint();
    while (this.outbox.size && !this.outbox.lost && !this.outbox.stopped) await new Promise((done) => { setTimeout(done, 30); });
    await this.load(false);
    this.busy = false;
    const own = this.groups.find((g) => g.key === this.key);
    if (own?.[this.which]) await this.go(this.key, this.which, true); else await this.load();
    this.focus();
  }

  undo() {
    const last = this.sheets.pop();
    if (!last) return;
    for (const { client, seq, item } of last.sent) this.send(item, 'undo', { of: { client, seq } });
    this.said = `${last.sent.length} taken back${last.odd ? '; the odd ones still wait' : ''}.`;
    this.key = last.key;
    this.which = last.which;
    this.after();
  }

  answered(record, result) {
    if (!result.ok) { this.notices.push(`${record.name}: ${result.sentence}`); this.paint(); }
  }

  toggle(index) {
    const item = this.items[index];
    if (!item || this.busy) return;
    const key = keyOf(item);
    if (!this.odd.delete(key)) this.odd.add(key);
    this.at = index;
    this.paint();
  }

  // ---- keys and pointers ----------------------------------------------------------------------------------------------
  wire() {
    const on = (target, name, run, options = {}) => target.addEventListener(name, run, { ...options, signal: this.off.signal });
    for (const name of ['keydown', 'pointerdown', 'wheel', 'touchmove']) on(window, name, () => this.look(), { capture: true, passive: true });
    on(window, 'scroll', (e) => { if (e.composedPath()[0].contains(this.root.getRootNode().host)) { this.look(); this.paint(); } }, { capture: true, passive: true });
    on(this.$('.grid'), 'load', () => { if (this.complete) this.paint(); }, { capture: true });
    on(window, 'keydown', (e) => this.keydown(e), { capture: true });
    on(window, 'online', () => this.outbox.send());
    on(this.$('.grid'), 'click', (e) => { const tile = e.target.closest('.tile'); if (tile) this.toggle([...this.$('.grid').children].indexOf(tile)); });
    on(this.root, 'click', (e) => {
      const act = e.target.closest?.('[data-do]')?.dataset.do;
      if (act === 'confirm') this.confirm();
      if (act === 'undo') this.undo();
    });
    this.seen = withoutOwnWindow(this.root, () => this.load());
  }

  columns() {
    const tiles = [...this.$('.grid').children];
    const first = tiles[0]?.offsetTop;
    const count = tiles.findIndex((t) => t.offsetTop !== first);
    return count < 0 ? Math.max(1, tiles.length) : count;
  }

  keydown(e) {
    const from = e.composedPath()[0];
    if (e.ctrlKey || e.metaKey || e.altKey || !this.who.name || from.matches?.('input')) return;
    if (elsewhere(from, this.root)) return;
    if (from.closest?.('button, a, summary') && ['Enter', ' '].includes(e.key)) return;
    const step = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -this.columns(), ArrowDown: this.columns(), Home: -1e6, End: 1e6 }[e.key];
    if (step !== undefined) this.move(step);
    else if ([' ', 'x', 'X'].includes(e.key)) { if (!e.repeat) this.toggle(this.at); } else if (e.key === 'Enter') { if (!e.repeat) this.confirm(); } else if (e.key === 'Backspace') { if (!e.repeat) this.undo(); } else return;
    e.preventDefault();
    e.stopImmediatePropagation();
  }

  move(step) {
    const wanted = this.at + step;
    if (Math.abs(step) < 1e6 && (wanted < 0 || wanted >= this.items.length)) return;
    this.at = Math.max(0, Math.min(this.items.length - 1, wanted));
    this.paint();
    this.$('.grid').children[this.at]?.scrollIntoView({ block: 'nearest' });
  }

  // ---- drawing --------------------------------------------------------------------------------------------------------
  tiles() {
    const grid = this.$('.grid');
    const widest = Math.max(...this.items.map((i) => i.width), 40);
    grid.style.setProperty('--tile', `min(46%, ${Math.max(70, Math.min(150, widest * 0.85))}px)`);
    grid.replaceChildren(...this.items.map((item, i) => {
      const tile = make('div', '', { class: 'tile', role: 'option', id: `tile-${i}`, 'aria-label': `${item.label}, ${item.where}` });
      const image = make('img', '', { src: item.src, alt: '', draggable: 'false', width: item.width, height: item.height });
      tile.append(image);
      return tile;
    }));
    this.unseen = new Set(grid.children);
  }

  kinds() {
    const drawn = JSON.stringify([this.groups, this.key, this.which]);
    if (this.drawn === drawn) return;
    this.drawn = drawn;
    const nodes = [];
    const list = (which, title) => {
      const own = this.groups.filter((g) => g[which]);
      if (!own.length) return;
      nodes.push(make('h3', `${title} (${spaced(own.reduce((n, g) => n + g[which], 0))})`));
      for (const group of own) {
        const button = make('button', '', { type: 'button', 'aria-current': group.key === this.key && which === this.which });
        button.append(make('b', group.text), make('small', `${group.kind} · ${spaced(group[which])}`));
        button.addEventListener('click', () => { this.said = ''; this.go(group.key, which).then(() => this.focus()); });
        nodes.push(button);
      }
    };
    list('open', 'Waiting for a person');
    list('rule', 'Accepted by the program, not looked at');
    const kinds = this.$('.kinds');
    kinds.replaceChildren(...nodes);
    const at = nodes.find((n) => n.getAttribute('aria-current') === 'true')?.getBoundingClientRect();
    const seen = kinds.getBoundingClientRect();            // the chosen one in view, without moving the page
    const head = nodes[0]?.getBoundingClientRect();        // from the first heading on, where both fit
    const across = at && (at.right - head.left < seen.width ? head.left - seen.left : (at.left + at.right - seen.left - seen.right) / 2);
    const down = at && (at.bottom - head.top < seen.height ? head.top - seen.top : (at.top + at.bottom - seen.top - seen.bottom) / 2);
    if (at) kinds.scrollBy(across, down);
  }

  paint() {
    this.$('.board').setAttribute('aria-busy', Boolean(this.busy));
    const any = this.groups.some((g) => g.open || g.rule);
    this.$('.work').hidden = !this.who.name || !this.loaded || !any;
    const end = this.$('.end');
    end.hidden = !this.who.name || !this.loaded || any;
    if (!end.hidden) {
      end.querySelector('h2').textContent = this.sheets.length ? 'All looked at' : 'Nothing to look at together';
      end.querySelector('p').textContent = `${this.said ?? ''} Every cell that reads like others has been seen by a person.`;
    }
    troubles(this);
    if (this.$('.work').hidden) return;
    this.kinds();
    this.sheet();
  }

  sheet() {
    const group = this.groups.find((g) => g.key === this.key);
    const item = this.items[this.at];
    this.$('.title').textContent = group ? `All read as: ${group.text}` : '';
    this.$('.where').textContent = item ? `${item.where} · ${item.label} · ${item.share}` : this.said ?? '';
    const tiles = [...this.$('.grid').children];
    tiles.forEach((tile, i) => {
      const odd = Boolean(this.items[i]) && this.odd.has(keyOf(this.items[i]));
      tile.classList.toggle('odd', odd);
      tile.classList.toggle('at', i === this.at);
      tile.setAttribute('aria-selected', odd);
    });
    if (!this.items.length) this.$('.grid').replaceChildren();
    this.$('.grid').setAttribute('aria-activedescendant', item ? `tile-${this.at}` : '');
    const rest = this.items.length - this.odd.size;
    const confirm = this.$('[data-do=confirm]');
    confirm.disabled = this.busy || !this.items.length;
    const below = this.items.length && this.hidden.length;
    confirm.querySelector('b').textContent = this.busy ? 'Storing …' : below ? `Show ${below} more` : rest ? `Confirm ${this.odd.size ? `the other ${rest}` : rest === 1 ? 'it' : `all ${rest}`}` : 'None of them: go on';
    this.$('[data-do=undo]').disabled = !this.sheets.length || this.busy;
    const state = item ? `${this.odd.has(keyOf(item)) ? 'Odd. ' : ''}${item.label}. ${item.where}.` : '';
    this.$('.live').textContent = `${this.said ?? ''} ${state}`;
  }

  close() { this.off.abort(); this.seen.disconnect(); this.outbox.close(); }
}

export default function ({ parentElement, data }) {
  const root = parentElement.querySelector('.desk');
  if (root.desk && root.desk.pack !== (data?.pack ?? '')) { root.desk.close(); root.desk.who.form.remove(); root.desk = null; }
  root.desk ??= new Many(root, data ?? {});
  return () => { root.desk?.close(); root.desk?.who.form.remove(); root.desk = null; };
}
