// A sheet whose photograph could not be read: the photograph on one side, every cell of the sheet to be typed on the other.
class Keying {
  constructor(root, data) {
    this.root = root;
    this.$ = (selector) => root.querySelector(selector);
    Object.assign(this, { data, cells: [], at: 0, history: [], notices: [], asked: null, refusal: '' });
    this.off = new AbortController();
    this.who = new Who(root, () => this.goto(this.at), data.by, data.said);
    this.outbox = new Outbox(data.store ?? '', (record, result) => this.answered(record, result), () => this.paint(), data.by);
    this.lens = new Lens(this.$('.lens'), this.off.signal, () => this.paint());
    this.wire();
    this.open(data);
  }

  get cell() { return this.cells[this.at]; }

  async open(data) {
    this.data = data;
    this.lens.show(data.sha256);
    if (!data.page) return this.paint();
    try {
      const reply = await fetch(`/desk/whole/${data.page}`, { cache: 'no-store' });
      if (reply.status === 404) { this.missing = (await reply.json()).sentence; return this.paint(); }
      if (!reply.ok) throw new Error(reply.status);
      this.take(await reply.json());
      this.offline = false;
    } catch { this.offline = true; if (!this.off.signal.aborted) setTimeout(() => this.open(data), 2500); }
    return this.paint();
  }

  take(sheet) {
    const fresh = this.sheet?.page !== sheet.page;
    const half = fresh ? '' : this.unfinished(this.at);
    this.sheet = sheet;
    this.cells = sheet.cells;
    if (!fresh) {
      this.cells.forEach((_, i) => this.row(i));
      if (half) { this.fields[this.at].value = half; this.said(this.at); }
      return;
    }
    const wanted = this.cells.findIndex((c) => c.cell === this.data.cell);
    this.at = Math.max(0, wanted >= 0 ? wanted : this.cells.findIndex((c) => c.state === 'open'));
    this.build();
    this.goto(this.at);
  }

  // ---- decisions ------------------------------------------------------------------------------------------------------
  decide(i, action, value = null) {
    const cell = this.cells[i];
    const { sheet } = this;
    if (this.lens.picture.refuses()) { this.paint(); return false; }
    const sure = this.asked?.cell === cell.cell && this.asked.value === `${value}`;
    const record = this.outbox.add({ page: sheet.page, sha256: sheet.sha256, cell: cell.cell, last: cell.last, by: this.who.name, way: 'keyed',
      name: `${sheet.title}, ${cell.label}`, action, value, ...(sure ? { sure } : {}) });
    this.history.push({ client: record.client, seq: record.seq, cell: cell.cell, before: { ...cell } });
    const none = cell.kind === 'tick' ? 'no' : '–';
    Object.assign(cell, { state: 'person', text: { blank: none, illegible: '?' }[action] ?? `${value}`, words: `entered by ${this.who.name}` });
    this.asked = null;
    this.refusal = '';
    this.row(i);
    return true;
  }

  // What is typed in a field is entered by Enter, an arrow, Tab or going to another field; never because an answer from the
  // server moved the focus, or the photograph was touched, while a number was half typed.
  unfinished(i) { const text = this.fields[i].value.trim(); return text && text !== this.typed(this.cells[i]) ? text : ''; }

  commit(i) {                                              // false where what is typed has to wait for the photograph
    const cell = this.cells[i];
    const text = this.unfinished(i);
    return !text || this.decide(i, 'enter', cell.kind === 'code' ? text.toUpperCase() : text);
  }

  typed(cell) { return cell.state === 'person' && !['–', '?'].includes(cell.text) ? cell.text : ''; }

  undo() {
    const last = this.history.pop();
    if (!last) return;
    const index = this.cells.findIndex((c) => c.cell === last.cell);
    this.outbox.add({ page: this.sheet.page, sha256: this.sheet.sha256, cell: last.cell, last: 0, by: this.who.name, name: last.before.label, action: 'undo', value: null, way: 'keyed', of: { client: last.client, seq: last.seq } });
    Object.assign(this.cells[index], last.before);
    this.row(index);
    this.goto(index);
  }

  answered(record, result) {
    const index = this.sheet?.page === record.page ? this.cells.findIndex((c) => c.cell === record.cell) : -1;
    const cell = this.cells[index];
    if (cell && result.last !== undefined) cell.last = result.last;
    if (result.ok) { this.paint(); return; }
    const mine = this.history.findIndex((h) => h.client === record.client && h.seq === record.seq);
    const before = mine >= 0 ? this.history.splice(mine, 1)[0].before : null;
    const busy = index !== this.at && this.unfinished(this.at);
    if (cell && before) { Object.assign(cell, before, { last: result.last ?? before.last }); this.row(index); }
    if (cell && before && !busy) {
      this.goto(index);
      this.refusal = result.ask ? `${result.sentence} If it is so, press Enter.` : result.sentence;
      this.asked = result.ask ? { cell: cell.cell, value: `${record.value}` } : null;
      if (record.action === 'enter') { this.fields[index].value = record.value ?? ''; this.fields[index].select(); }
    } else this.notices.push(`${record.name}: ${result.sentence}`);
    if (result.gone) this.open(this.data);
    this.paint();
  }

  act(what) {
    const mark = (action) => { if (this.decide(this.at, action)) this.step(1); };
    ({ blank: () => mark('blank'), illegible: () => mark('illegible'), undo: () => this.undo(), next: () => this.next() }[what] ?? (() => this.lens.act(what)))();
  }

  step(by) { this.goto(Math.max(0, Math.min(this.cells.length - 1, this.at + by))); }

  next() {
    const order = [...this.cells.keys()].map((i) => (this.at + 1 + i) % this.cells.length);
    const found = order.find((i) => this.cells[i].state === 'open');
    if (found !== undefined) this.goto(found);
  }

  // ---- keys and pointers ----------------------------------------------------------------------------------------------
  wire() {
    const on = (target, name, run, options = {}) => target.addEventListener(name, run, { ...options, signal: this.off.signal });
    on(window, 'online', () => this.outbox.send());
    on(this.root, 'click', (e) => {
      const pressed = e.target.closest?.('[data-do], [data-code]');
      if (!pressed) return;
      if (pressed.dataset.code !== undefined) { if (this.decide(this.at, 'enter', pressed.dataset.code)) this.step(1); } else this.act(pressed.dataset.do);
    });
    const list = this.$('.fields');
    on(list, 'focusin', (e) => {
      const at = Number(e.target.dataset.at);
      if (!e.target.matches('input') || at === this.at) return;
      this.commit(this.at);
      this.at = at;
      this.refusal = '';
      this.paint();
    });
    on(list, 'input', (e) => this.said(Number(e.target.dataset.at)));
    on(list, 'keydown', (e) => this.keydown(e));
    on(this.root, 'keydown', (e) => {
      if (e.key !== 'F2' || !this.fields) return;
      e.preventDefault();
      e.stopPropagation();
      if (e.target.matches('.fields input')) this.$('.lens').focus(); else this.fields[this.at].focus();
    });
    on(window, 'keydown', (e) => { if (this.root.contains(e.composedPath()[0])) e.stopPropagation(); });  // none of these keys is the page's
    this.seen = withoutOwnWindow(this.root, () => this.open(this.data));
  }

  keydown(e) {
    const field = e.target;
    if (!field.matches('input') || e.ctrlKey || e.metaKey || e.altKey) return;
    const empty = !field.value;
    if (e.key === 'Enter' || e.key === 'ArrowDown' || e.key === 'ArrowUp') {
      const before = this.history.length;
      const again = this.asked?.cell === this.cell.cell;
      const goes = this.commit(this.at);
      if (goes && !(again && before === this.history.length)) this.step(e.key === 'ArrowUp' ? -1 : 1);
    } else if (e.key === 'Tab') { this.commit(this.at); return; } else if (e.key === 'Escape') { field.value = this.typed(this.cell); field.select(); this.asked = null; this.refusal = ''; this.paint(); }
    else if (empty && e.key === ' ') { if (!e.repeat) this.act('blank'); }
    else if (empty && e.key === '?') { if (!e.repeat) this.act('illegible'); }
    else if (empty && e.key === 'Backspace') { if (!e.repeat) this.undo(); }
    else return;
    e.preventDefault();
    e.stopPropagation();
  }

  goto(index) {
    if (index !== this.at) this.refusal = '';
    this.at = index;
    this.paint();
    const field = this.fields?.[index];
    if (!field || !this.who.name) return;
    this.root.style.setProperty('--now', `${this.$('.now').offsetHeight}px`);   // on a phone it stands above the fields
    field.focus({ preventScroll: true });
    field.select();
    field.closest('li').scrollIntoView({ block: matchMedia('(max-width: 760px)').matches ? 'start' : 'nearest' });
  }

  // ---- drawing --------------------------------------------------------------------------------------------------------
  build() {
    const rows = this.cells.map((cell, i) => {
      const item = make('li', '', cell.kind === 'text' ? { class: 'wide' } : {});
      const field = make('input', '', { id: `cell-${i}`, 'data-at': i, autocomplete: 'off', autocapitalize: 'off', spellcheck: 'false', maxlength: '200' });
      field.inputMode = ['tally', 'number', 'date', 'time'].includes(cell.kind) ? 'numeric' : 'text';
      item.append(make('label', cell.label, { for: `cell-${i}` }), field, make('span', '', { class: 'said' }));
      return item;
    });
    this.$('.fields').replaceChildren(...rows);
    this.fields = rows.map((r) => r.querySelector('input'));
    const [wide, high] = this.sheet.size_mm;
    const sketch = this.$('.sketch');
    sketch.setAttribute('viewBox', `0 0 ${wide} ${high}`);
    sketch.replaceChildren(...this.cells.map((cell) => {
      const box = document.createElementNS('http://www.w3.org/2000/svg', 'rect');
      const [x, y, w, h] = cell.box.map((v, i) => v * (i % 2 ? high : wide));
      for (const [name, value] of Object.entries({ x, y, width: w, height: h })) box.setAttribute(name, value);
      return box;
    }));
    this.cells.forEach((_, i) => this.row(i));
  }

  said(i) {                                                // what stands beside a field
    const [cell, item] = [this.cells[i], this.fields[i].closest('li')];
    const done = cell.state === 'person' && !this.unfinished(i);
    const words = { '–': 'nothing written', '?': 'cannot be read' }[cell.text] ?? (this.sheet.meanings[cell.text] || 'entered');
    item.classList.toggle('done', done);
    item.querySelector('.said').textContent = done ? `✓ ${words}` : this.unfinished(i) ? 'not entered yet' : '';
  }

  row(i) {
    const [cell, field] = [this.cells[i], this.fields[i]];
    const done = cell.state === 'person';
    field.value = this.typed(cell);
    this.said(i);
    field.placeholder = done && !field.value ? cell.text : '';
    this.$('.sketch').children[i].classList.toggle('done', done);
  }

  paint() {
    const { cell, sheet } = this;
    const end = this.$('.end');
    const shown = this.who.name && sheet;
    const alone = !this.data.page;                         // only to look at, while it is asked which sheet it is
    this.root.classList.toggle('alone', alone);
    if (alone) this.who.form.hidden = true;
    this.$('.work').hidden = !shown && !alone;
    end.hidden = !this.missing;
    if (this.missing) { end.querySelector('h2').textContent = 'There is no such sheet'; end.querySelector('p').textContent = this.missing; }
    troubles(this);
    if (!shown) return;
    const left = this.cells.filter((c) => c.state === 'open').length;
    this.$('.title').textContent = sheet.title;
    this.$('.photo').textContent = sheet.where;
    this.$('.counts').textContent = left ? `${this.cells.length - left} of ${this.cells.length} cells entered` : `All ${this.cells.length} cells are entered. You can go back to the Survey page.`;
    this.$('.track span').style.width = `${(100 * (this.cells.length - left)) / this.cells.length}%`;
    this.fields.forEach((f, i) => f.closest('li').classList.toggle('at', i === this.at));
    [...this.$('.sketch').children].forEach((box, i) => box.classList.toggle('at', i === this.at));
    this.$('.sketch').setAttribute('aria-label', `Where on the sheet: ${cell.label}`);
    this.$('.hint').replaceChildren(make('b', cell.label), ` ${cell.kind === 'tick' ? 'Type yes or no; Space is no.' : WORDS[cell.kind]}`);
    this.$('.codes').replaceChildren(...cell.codes.map((code) => {
      const button = make('button', '', { type: 'button', 'data-code': code });
      const meaning = sheet.meanings[code];
      button.append(make('b', code), ...(meaning ? [make('small', meaning)] : []));
      return button;
    }));
    const refusal = this.lens.picture.words || this.refusal;
    this.$('.refusal').hidden = !refusal;
    this.$('.refusal').textContent = refusal;
    this.$('[data-do=undo]').disabled = !this.history.length;
    this.$('[data-do=next]').disabled = !left;
    this.$('[data-do=blank] b').textContent = cell.kind === 'tick' ? 'Not marked' : 'Nothing written';
    this.$('.live').textContent = refusal || (left ? `${left} left` : 'All cells are entered');
  }

  close() { this.off.abort(); this.seen.disconnect(); this.lens.close(); this.outbox.close(); }
}

export default function ({ parentElement, data }) {
  const root = parentElement.querySelector('.desk');
  if (!root.desk) root.desk = new Keying(root, data); else if (JSON.stringify(root.desk.data) !== JSON.stringify(data)) root.desk.open(data);
  return () => { root.desk?.close(); root.desk?.who.form.remove(); root.desk = null; };
}
