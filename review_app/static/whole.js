// A whole page: the flattened photograph, every value beside its ink, arrow keys to move, typing to change.
class Whole {
  constructor(root, data) {
    this.root = root;
    this.$ = (selector) => root.querySelector(selector);
    Object.assign(this, { cells: [], at: 0, history: [], notices: [], zoom: 1, asked: null, refusal: '' });
    this.off = new AbortController();
    this.who = new Who(root, () => { this.paint(); this.root.focus({ preventScroll: true }); }, data.by);
    this.outbox = new Outbox(data.store ?? '', (record, result) => this.answered(record, result), () => this.paint(), data.by);
    this.wire();
    this.picture = new Picture(this.$('.flat img'), () => this.paint());
    const wanted = new URLSearchParams(location.search);
    this.open(Number(wanted.get('page')) || data.page, wanted.get('cell') ?? '');
  }

  get cell() { return this.cells[this.at]; }

  async open(page, wanted = '') {
    if (!page) return this.paint();
    try {
      const reply = await fetch(`/desk/whole/${page}`, { cache: 'no-store' });
      if (reply.status === 404) { this.missing = (await reply.json()).sentence; return this.paint(); }
      if (!reply.ok) throw new Error(reply.status);
      const sheet = await reply.json();
      if (sheet.keyed) { location.replace(`key?page=${page}&cell=${encodeURIComponent(wanted)}`); return undefined; }
      this.take(sheet, wanted);
      this.offline = false;
    } catch { this.offline = true; if (!this.off.signal.aborted) setTimeout(() => this.open(page, wanted), 2500); }
    return this.paint();
  }

  take(sheet, wanted) {
    const fresh = this.sheet?.page !== sheet.page;
    this.sheet = sheet;
    this.cells = sheet.cells;
    if (fresh) {
      const found = this.cells.findIndex((c) => c.cell === wanted);
      const open = this.cells.findIndex((c) => c.state === 'open');
      this.at = Math.max(0, found >= 0 ? found : open);
      this.refusal = '';
      this.asked = null;
      this.$('#value').value = '';
    }
    this.build();
    if (fresh) this.place();
    for (const beside of [-1, 1]) { const next = this.beside(beside); if (next) new Image().src = pageOf(next); }
  }

  beside(step) { const at = this.sheet.pages.findIndex((p) => p.page === this.sheet.page); return this.sheet.pages[at + step]; }
  turn(step) { const next = this.beside(step); if (next) this.open(next.page); }

  // ---- decisions ------------------------------------------------------------------------------------------------------
  decide(action, value = null, text = '') {
    const { cell, sheet } = this;
    if (!cell) return;
    if (this.picture.refuses()) { this.paint(); return; }
    const sure = this.asked?.cell === cell.cell && this.asked.value === `${value}`;
    const record = this.outbox.add({ page: sheet.page, sha256: sheet.sha256, cell: cell.cell, last: cell.last, by: this.who.name, way: 'page',
      name: `${sheet.title}, ${cell.label}`, action, value, ...(sure ? { sure } : {}) });
    this.history.push({ client: record.client, seq: record.seq, page: sheet.page, sha256: sheet.sha256, cell: cell.cell, before: { ...cell } });
    Object.assign(cell, { state: 'person', text: text || { blank: '–', illegible: '?' }[action], words: `entered by ${this.who.name}`, reasons: [] });
    this.asked = null;
    this.refusal = '';
    this.$('#value').value = '';
    this.chip(this.at);
    this.root.focus({ preventScroll: true });
    this.goto(Math.min(this.at + 1, this.cells.length - 1));
  }

  accept() {
    const { cell } = this;
    if (!cell) return;
    if (cell.state === 'person') { this.goto(Math.min(this.at + 1, this.cells.length - 1)); return; }
    if (cell.suggested === null && cell.state === 'open') { this.refusal = 'Nothing is suggested here: type the value, or press Space for blank.'; this.paint(); return; }
    this.decide(cell.suggested === null ? 'blank' : 'enter', cell.suggested, cell.text);
  }

  undo() {
    const last = this.history.pop();
    if (!last) return;
    this.outbox.add({ page: last.page, sha256: last.sha256, cell: last.cell, last: 0, by: this.who.name, name: last.before.label, action: 'undo', value: null, way: 'page', of: { client: last.client, seq: last.seq } });
    const index = this.sheet.page === last.page ? this.cells.findIndex((c) => c.cell === last.cell) : -1;
    if (index >= 0) { Object.assign(this.cells[index], last.before); this.chip(index); this.goto(index); } else this.open(last.page, last.cell);
  }

  answered(record, result) {
    const index = this.sheet?.page === record.page ? this.cells.findIndex((c) => c.cell === record.cell) : -1;
    const cell = this.cells[index];
    if (cell && result.last !== undefined) cell.last = result.last;
    if (result.ok) { if (record.action === 'undo') this.open(this.sheet.page); else this.paint(); return; }
    const mine = this.history.findIndex((h) => h.client === record.client && h.seq === record.seq);
    const before = mine >= 0 ? this.history.splice(mine, 1)[0].before : null;
    const busy = index !== this.at && this.$('#value').value.trim();   // a value that is half typed stays with its cell
    if (cell && before) { Object.assign(cell, before, { last: result.last ?? before.last }); this.chip(index); }
    if (cell && before && !busy) {
      this.goto(index);
      this.refusal = result.ask ? `${result.sentence} If it is so, enter it again.` : result.sentence;
      this.asked = result.ask ? { cell: cell.cell, value: `${record.value}` } : null;
      this.$('#value').value = record.action === 'enter' ? record.value ?? '' : '';
      if (record.action === 'enter') { this.$('#value').focus(); this.$('#value').select(); }
    } else this.notices.push(`${record.name}: ${result.sentence}`);
    if (result.gone) this.open(this.sheet.page);
    this.paint();
  }

  act(what) {
    ({ before: () => this.turn(-1), after: () => this.turn(1), smaller: () => this.size(1 / 1.25), larger: () => this.size(1.25), accept: () => this.accept(),
      blank: () => this.cell?.kind !== 'tick' && this.decide('blank'), illegible: () => this.decide('illegible'), undo: () => this.undo(), next: () => this.next() })[what]?.();
  }

  next() {
    const order = [...this.cells.keys()].map((i) => (this.at + 1 + i) % this.cells.length);
    const found = order.find((i) => this.cells[i].state === 'open');
    if (found === undefined) { this.refusal = 'No cell of this page waits for a person any more.'; this.paint(); } else this.goto(found);
  }

  // ---- keys and pointers ----------------------------------------------------------------------------------------------
  wire() {
    const on = (target, name, run, options = {}) => target.addEventListener(name, run, { ...options, signal: this.off.signal });
    on(window, 'keydown', (e) => this.keydown(e), { capture: true });
    on(window, 'online', () => this.outbox.send());
    on(this.root, 'click', (e) => { const act = e.target.closest?.('[data-do]')?.dataset.do; if (act) { this.act(act); this.root.focus({ preventScroll: true }); } });
    on(this.$('.flat'), 'click', (e) => { const spot = e.target.closest('.spot'); if (spot) { this.goto(Number(spot.dataset.at)); this.root.focus({ preventScroll: true }); } });
    on(this.$('#which'), 'change', (e) => { this.open(Number(e.target.value)); this.root.focus({ preventScroll: true }); });
    on(this.$('.typed'), 'submit', (e) => { e.preventDefault(); this.typed(); });
    this.seen = withoutOwnWindow(this.root, () => this.open(this.sheet?.page));
    this.sizes = new ResizeObserver(() => this.place());
    this.sizes.observe(this.$('.paper'));
  }

  typed() {
    const text = this.$('#value').value.trim();
    if (!text) return this.accept();
    return this.decide('enter', text, this.cell?.kind === 'code' ? text.toUpperCase() : text);
  }

  keydown(e) {
    const from = e.composedPath()[0];
    if (e.ctrlKey || e.metaKey || e.altKey || !this.who.name || !this.sheet) return;
    if (from.matches?.('input') && this.root.contains(from)) {
      e.stopImmediatePropagation();
      if (e.key === 'Escape') { from.value = ''; this.asked = null; this.root.focus({ preventScroll: true }); }
      if (['ArrowUp', 'ArrowDown'].includes(e.key) && from.value.trim() && from.id === 'value') { e.preventDefault(); this.typed(); }
      return;
    }
    if (from.matches?.('select') || elsewhere(from, this.root)) return;
    if (from.closest?.('button, a, summary') && ['Enter', ' '].includes(e.key)) return;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    const acts = { Enter: 'accept', ' ': 'blank', '?': 'illegible', Backspace: 'undo', End: 'next', PageDown: 'after', PageUp: 'before' };
    if (way) this.step(...way);
    else if (acts[e.key]) { if (!e.repeat) this.act(acts[e.key]); } else if (this.cell && (starts(this.cell.kind, e.key) || (this.cell.kind === 'tick' && /^[xyn]$/i.test(e.key)))) {
      this.$('#value').value = '';
      this.$('#value').focus();
      e.stopImmediatePropagation();
      return;
    } else return;
    e.preventDefault();
    e.stopImmediatePropagation();
  }

  step(dx, dy) {                                           // the nearest cell in that direction, what is in line first
    const [wide, high] = this.sheet.size_mm;
    const middle = (c) => [(c.box[0] + c.box[2] / 2) * wide, (c.box[1] + c.box[3] / 2) * high];
    const [x, y] = middle(this.cell);
    let best = null;
    this.cells.forEach((cell, i) => {
      const [a, b] = middle(cell);
      const along = dx ? (a - x) * dx : (b - y) * dy;
      const aside = Math.abs(dx ? b - y : a - x);
      if (along < 1) return;
      const cost = along + 4 * aside;
      if (!best || cost < best.cost) best = { cost, i };
    });
    if (best) this.goto(best.i);
  }

  goto(index) {
    if (index !== this.at) { this.refusal = ''; this.$('#value').value = ''; }
    this.at = index;
    this.paint();
    this.show();
  }

  // ---- drawing --------------------------------------------------------------------------------------------------------
  build() {
    const { sheet } = this;
    this.picture.show(pageOf(sheet));
    this.picture.image.alt = `The photographed page: ${sheet.where}`;
    this.$('.flat').querySelectorAll('.spot').forEach((s) => s.remove());
    this.spots = this.cells.map((cell, i) => {
      const spot = make('button', '', { type: 'button', class: 'spot', 'data-at': i, 'data-kind': cell.kind, tabindex: '-1' });
      Object.assign(spot.style, { left: `${100 * cell.box[0]}%`, top: `${100 * cell.box[1]}%`, width: `${100 * cell.box[2]}%`, height: `${100 * cell.box[3]}%` });
      spot.append(make('span', '', {}));
      this.$('.flat').append(spot);
      return spot;
    });
    this.cells.forEach((_, i) => this.chip(i));
    const which = this.$('#which');
    which.replaceChildren(...sheet.pages.map((p) => make('option', p.text, { value: p.page, ...(p.page === sheet.page ? { selected: '' } : {}) })));
  }

  chip(i) {
    const [cell, spot] = [this.cells[i], this.spots[i]];
    spot.setAttribute('aria-label', `${cell.label}: ${cell.text}, ${cell.words}`);
    const quiet = cell.state === 'rule' && (cell.text === '–' || cell.text === 'no');
    spot.firstChild.textContent = quiet ? '' : cell.text;
    spot.firstChild.className = quiet ? '' : `chip ${cell.state}`;
  }

  place() {
    if (!this.sheet) return;
    const paper = this.$('.paper');
    const flat = this.$('.flat');
    flat.style.width = `${Math.max(this.zoom * Math.max(paper.clientWidth, 640), 320)}px`;
    flat.style.aspectRatio = `${this.sheet.size_mm[0]} / ${this.sheet.size_mm[1]}`;
    this.show();
  }

  size(by) { this.zoom = Math.max(0.4, Math.min(3, this.zoom * by)); this.place(); }

  show() {
    const spot = this.spots?.[this.at];
    if (!spot) return;
    const paper = this.$('.paper');
    const [x, y] = [spot.offsetLeft + spot.offsetWidth / 2, spot.offsetTop + spot.offsetHeight / 2];
    const keep = (now, span, at) => (at < now + 70 || at > now + span - 70 ? at - span / 2 : now);
    paper.scrollTo(keep(paper.scrollLeft, paper.clientWidth, x), keep(paper.scrollTop, paper.clientHeight, y));
  }

  paint() {
    const { cell, sheet } = this;
    this.$('.work').hidden = !this.who.name || !sheet;
    this.$('.end').hidden = !this.who.name || Boolean(sheet) || !this.missing;
    troubles(this);
    if (!cell || this.$('.work').hidden) return;
    this.spots.forEach((s, i) => s.classList.toggle('at', i === this.at));
    this.$('.title').textContent = cell.label;
    const open = this.cells.filter((c) => c.state === 'open').length;
    this.$('.where').textContent = `${sheet.where} · ${open ? `${open} open` : 'none open'}`;
    const meaning = sheet.meanings[cell.text] ?? '';
    this.$('.why').replaceChildren(make('p', cell.text === '–' ? 'nothing written' : cell.text, { class: 'now' }), ...(meaning ? [make('p', meaning)] : []), make('p', `${cell.words[0].toUpperCase()}${cell.words.slice(1)}. The reader reads “${cell.read}”, ${cell.share}.`), ...cell.reasons.map((r) => make('p', r)));
    const refusal = this.picture.words || this.refusal;
    this.$('.refusal').hidden = !refusal;
    this.$('.refusal').textContent = refusal;
    this.$('.hint').textContent = cell.kind === 'tick' ? 'Type yes or no.' : WORDS[cell.kind];
    this.$('#value').inputMode = ['tally', 'number', 'date', 'time'].includes(cell.kind) ? 'numeric' : 'text';
    this.$('[data-do=accept] b').textContent = cell.state === 'person' ? 'Go on' : 'It is right';
    this.$('[data-do=blank]').disabled = cell.kind === 'tick';
    this.$('[data-do=undo]').disabled = !this.history.length;
    this.$('[data-do=before]').disabled = !this.beside(-1);
    this.$('[data-do=after]').disabled = !this.beside(1);
    const place = `page=${sheet.page}&cell=${encodeURIComponent(cell.cell)}`;
    this.$('.trace').href = `trace?${place}`;
    if (location.pathname.endsWith('/whole')) history.replaceState(history.state, '', `?${place}`);
    this.$('.live').textContent = `${cell.label}: ${cell.text === '–' ? 'nothing written' : cell.text}, ${cell.words}. ${this.refusal}`;
  }

  close() { this.off.abort(); this.seen.disconnect(); this.sizes.disconnect(); this.outbox.close(); }
}

export default function ({ parentElement, data }) {
  const root = parentElement.querySelector('.desk');
  root.desk ??= new Whole(root, data ?? {});
  return () => { root.desk?.close(); root.desk?.who.form.remove(); root.desk = null; };
}
