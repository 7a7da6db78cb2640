// What a cell can hold, at a glance. The server says what is wrong with anything else, so that is sent at once.
const FORMS = { tally: /^\d{1,6}$/, number: /^\d{1,6}$/, decimal: /^\d*[.,]?\d*$/, date: /^\d{4}-?\d\d-?\d\d$/, time: /^([01]?\d|2[0-3])[:.]?[0-5]\d$/, tick: /^(x|y|n|yes|no)$/i };
const holds = (item, value) => typeof value !== 'string' || (item.kind === 'code' ? item.codes.includes(value.toUpperCase()) : FORMS[item.kind]?.test(value) ?? true);

// Audit: cells of a random sample, keyed blind. An answer is given once; it goes through the same outbox as decisions, which holds
// the last ten back: so long they can be taken back, and nobody, the server neither, has compared them.
class AuditDesk {
  constructor(root, data) {
    this.root = root;
    this.$ = (selector) => root.querySelector(selector);
    Object.assign(this, { items: [], notices: [], sampled: 0, answered: 0 });
    this.id = data.audit;
    this.off = new AbortController();
    this.windows = new Windows(root, () => this.paint());
    this.lens = new Lens(this.$('.lens'), this.off.signal, () => this.paint());
    this.who = new Who(root, () => { this.paint(); this.root.focus({ preventScroll: true }); }, data.by, data.said);
    this.outbox = new Outbox(data.store ?? '', (record, result) => this.answer(record, result), () => this.paint(), data.by);
    const on = (target, name, run, options = {}) => target.addEventListener(name, run, { ...options, signal: this.off.signal });
    on(window, 'keydown', (e) => this.keydown(e), { capture: true });
    on(window, 'online', () => this.outbox.send());
    on(this.$('.typed'), 'submit', (e) => { e.preventDefault(); const text = this.$('#value').value.trim(); if (text) this.say('enter', text); });
    on(this.root, 'click', (e) => { const act = e.target.closest?.('[data-do]')?.dataset.do; if (act === 'undo') this.undo(); else if (act) this.say(act); });
    on(this.$('.end a'), 'click', (e) => { if (this.outbox.size) { e.preventDefault(); this.leaving = e.target.href; this.outbox.release(); } });
    on(window, 'pagehide', () => this.outbox.release());
    on(document, 'visibilitychange', () => { if (document.hidden) this.outbox.release(); });
    on(this.root, 'click', (e) => { const act = e.target.closest?.('[data-lens]')?.dataset.lens; if (act) this.lens.act(act); });
    this.seen = withoutOwnWindow(this.root, () => this.load());
    this.sizes = new ResizeObserver(() => this.item && !this.item.keyed && this.windows.show(this.item));
    root.querySelectorAll('.glass').forEach((glass) => this.sizes.observe(glass));
    this.load();
  }

  get open() { return this.items.filter((i) => i.entered_by !== this.who.name); }   // nobody keys again what they entered
  get item() { return this.open[0]; }
  get picture() { return this.item.keyed ? this.lens.picture : this.windows.picture; }

  async load() {
    await this.outbox.recalled;
    try {
      const reply = await fetch(`/desk/audit/${this.id}`, { cache: 'no-store' });
      if (!reply.ok) throw new Error(reply.status);
      const found = await reply.json();
      const leaving = new Set([...this.outbox.waiting.values()].map((r) => r.audit));
      this.items = found.items.filter((i) => !leaving.has(i.audit));
      Object.assign(this, { sampled: found.sampled, loaded: true, offline: false });
    } catch { this.offline = true; if (!this.off.signal.aborted) setTimeout(() => this.load(), 2500); }
    this.paint();
  }

  say(action, value = null) {
    const { item } = this;
    if (!item) return;
    if (this.picture.refuses()) { this.paint(); return; }
    const record = { page: item.page, sha256: item.sha256, cell: item.cell, last: 0, by: this.who.name, name: `${item.title}, ${item.label}`,
      audit: item.audit, action: action === 'blank' && item.kind === 'tick' ? 'enter' : action, value: action === 'blank' && item.kind === 'tick' ? false : value };
    this.outbox.add(record, { hold: holds(item, record.value) });
    this.shown = [...(this.shown ?? []), item].slice(-100);
    this.items = this.items.filter((i) => i !== item);
    item.refusal = '';
    this.$('#value').value = '';
    this.root.focus({ preventScroll: true });
    this.paint();
  }

  undo() {
    const record = this.outbox.held.length ? this.outbox.takeBack() : null;
    const item = this.shown?.find((i) => i.audit === record?.audit);
    if (!item) return;
    this.shown = this.shown.filter((i) => i !== item);
    this.items.unshift(item);
    this.$('#value').value = '';
    this.root.focus({ preventScroll: true });
    this.paint();
  }

  answer(record, result) {
    if (this.leaving && result.ok && !this.outbox.size) { location.assign(this.leaving); return; }
    if (!result.ok) {
      this.leaving = '';
      const item = this.shown?.find((i) => i.audit === record.audit);
      const busy = this.$('#value').value.trim();          // a value that is half typed stays with its cell; the refused one comes next
      if (item && !result.gone) { item.refusal = result.sentence; this.items.splice(busy ? this.items.indexOf(this.item) + 1 : 0, 0, item); } else this.notices.push(`${record.name}: ${result.sentence}`);
    }
    this.paint();
  }

  keydown(e) {
    const from = e.composedPath()[0];
    if (e.ctrlKey || e.metaKey || e.altKey || !this.who.name) return;
    const typed = from.id === 'value' && from.value;
    if (e.key === 'Backspace' && !typed && !elsewhere(from, this.root)) {
      if (!e.repeat) this.undo();
      e.preventDefault();
      e.stopImmediatePropagation();
      return;
    }
    if (!this.item) return;
    if (from.matches?.('input')) { e.stopImmediatePropagation(); if (e.key === 'Escape') { from.value = ''; this.root.focus(); } return; }
    if (elsewhere(from, this.root) || (from.closest?.('button, a') && ['Enter', ' '].includes(e.key))) return;
    const act = { ' ': 'blank', '?': 'illegible' }[e.key];
    if (act) { if (!e.repeat) this.say(act); } else if (starts(this.item.kind, e.key) || (this.item.kind === 'tick' && /^[xyn]$/i.test(e.key))) {
      this.$('#value').focus();
      e.stopImmediatePropagation();
      return;
    } else return;
    e.preventDefault();
    e.stopImmediatePropagation();
  }

  paint() {
    const { item } = this;
    this.$('.work').hidden = !this.who.name || !item;
    this.$('.end').hidden = !this.who.name || Boolean(item) || !this.loaded;
    const held = this.outbox.held.length;
    const onTheWay = this.outbox.size - held;
    const own = this.items.length;                         // at the end only the auditor's own entries are left
    this.$('.end h2').textContent = own ? 'All that you can key is keyed' : 'All cells of the sample are keyed';
    this.$('.end p').textContent = [own ? `${own === 1 ? '1 cell was' : `${own} cells were`} entered by ${this.who.name}: somebody else has to key ${own === 1 ? 'it' : 'them'} again.` : '',
      onTheWay ? `${onTheWay} ${onTheWay > 1 ? 'answers are' : 'answer is'} still on the way.` : held ? 'The last answers can still be taken back.' : ''].join(' ').trim();
    this.$('.end a').href = own ? 'audit' : `audit?audit=${this.id}`;
    this.root.querySelectorAll('[data-do=undo]').forEach((button) => { button.disabled = !held; });
    troubles(this);
    if (this.$('.work').hidden) return;
    const done = this.sampled - this.items.length;
    this.$('.track span').style.width = `${(100 * done) / this.sampled}%`;
    this.$('.track').setAttribute('aria-valuenow', Math.round((100 * done) / this.sampled));
    this.$('.counts').textContent = `${this.open.length} left of ${this.sampled}`;
    this.$('.title').textContent = item.label;
    this.$('.where').textContent = item.where;
    this.$('.hint').textContent = item.kind === 'tick' ? 'Type yes for a mark, or press Space for an empty box.' : WORDS[item.kind];
    this.$('.codes-known').textContent = item.codes.length ? `Codes: ${item.codes.join(', ')}` : '';
    this.$('.by-hand').hidden = !item.keyed;
    for (const part of ['.near', '.row', '.near-row']) this.$(part).hidden = item.keyed;
    if (item.keyed) this.lens.show(item.sha256); else this.windows.show(item);
    const refusal = this.picture.words || item.refusal || '';
    this.$('.refusal').hidden = !refusal;
    this.$('.refusal').textContent = refusal;
    this.windows.preload(this.open.slice(0, 30).filter((i) => !i.keyed));
    this.$('.live').textContent = `${item.label}. ${item.where}. ${this.open.length} left. ${item.refusal ?? ''}`;
  }

  close() { this.outbox.release(); this.off.abort(); this.seen.disconnect(); this.sizes.disconnect(); this.lens.close(); this.outbox.close(); }
}

export default function ({ parentElement, data }) {
  const root = parentElement.querySelector('.desk');
  root.desk ??= new AuditDesk(root, data);
  return () => { root.desk?.close(); root.desk?.who.form.remove(); root.desk = null; };
}
