// One cell: its place on the original photograph (zoom, pan), its history, and what the reader saw.
class Trace {
  constructor(root, data) {
    this.root = root;
    this.$ = (selector) => root.querySelector(selector);
    this.off = new AbortController();
    this.wire();
    this.open(data);
  }

  async open(data) {
    this.data = data;
    try {
      const reply = await fetch(`/desk/trace/${data.page}?${new URLSearchParams({ cell: data.cell })}`, { cache: 'no-store' });
      if (!reply.ok && reply.status !== 404) throw new Error(reply.status);
      this.found = reply.ok ? await reply.json() : null;
    } catch {
      this.$('.lost').hidden = false;
      setTimeout(() => { if (!this.off.signal.aborted && this.data === data) this.open(data); }, 2500);
      return;
    }
    this.$('.lost').hidden = true;
    this.$('.work').hidden = !this.found;
    this.$('.end').hidden = Boolean(this.found);
    if (this.found) this.paint();
  }

  wire() {
    this.lens = new Lens(this.$('.lens'), this.off.signal);
    this.near = new Picture(this.$('.near img'));
    this.root.addEventListener('click', (e) => {
      const act = e.target.closest?.('[data-do]')?.dataset.do;
      if (act === 'copy') this.copy(); else if (act) this.lens.act(act);
    }, { signal: this.off.signal });
  }

  async copy() {
    try { await navigator.clipboard.writeText(location.href); this.$('.copied').textContent = 'Copied.'; } catch { this.$('.copied').textContent = location.href; }
  }

  paint() {
    const { found } = this;
    this.lens.corners = found.corners;
    const gone = Boolean(found.thinned) && !found.keyed;
    for (const part of ['.choose', '.lens']) this.$(part).hidden = gone;
    if (!gone) this.lens.show(found.sha256);
    this.$('.photo').textContent = `${found.photo}, kept ${found.kept_at.slice(0, 16).replace('T', ' ')} UTC, SHA-256 ${found.sha256.slice(0, 12)}…${found.keyed ? '' : `; printed corners within ${found.residual_mm} mm`}${gone ? `. It was removed on ${found.thinned} by the policy by which photographs go; its flattened page is kept.` : ''}`;
    this.$('.title').textContent = found.label;
    this.$('.where').textContent = found.where + (found.superseded ? ' · another photograph of this sheet counts' : '');
    this.$('.near').hidden = found.keyed;
    if (!found.keyed) this.crop();
    const day = (at) => `${at.slice(0, 10)} ${at.slice(11, 16)} UTC`;
    const lines = found.history.map((h) => { const li = make('li'); li.append(make('b', h.what), make('small', `${h.who}, ${day(h.at)}`), make('small', h.why)); return li; });
    this.$('.history').replaceChildren(...(lines.length ? lines : [make('li', 'Nobody has entered it yet: it waits for a person.')]));
    this.$('.seen').replaceChildren(...found.candidates.map((c) => {
      const scale = make('span', '', { class: 'scale' });
      const bar = make('span');
      bar.style.width = `${100 * c.p}%`;
      scale.append(bar);
      const li = make('li');
      li.append(make('b', c.text), scale, make('span', c.share));
      return li;
    }));
    this.$('.reasons').replaceChildren(make('p', found.keyed ? 'Nothing was read: a person keys this sheet from the photograph.' : `${found.accepted ? 'Accepted by the program' : 'Given to a person'}; reader ${found.reader}.`), ...(found.keyed ? [] : found.reasons).map((r) => make('p', r)));
    this.$('.page').href = `${found.keyed ? 'key' : 'whole'}?page=${found.page}&cell=${encodeURIComponent(found.cell)}`;
    this.$('.page').textContent = found.keyed ? 'See the sheet' : 'See the whole page';
    this.$('.live').textContent = `${found.label}. ${found.where}. ${found.history.length} entries.`;
  }

  crop() {
    const [glass, image, mark] = [this.$('.near'), this.$('.near img'), this.$('.near .mark')];
    const [wide, high] = this.found.size_mm;
    const [x, y, w, h] = this.found.box.map((v, i) => v * (i % 2 ? high : wide));
    const scale = Math.min(glass.clientWidth / (w + 12), glass.clientHeight / (h + 8), 11);
    const [left, top] = [(x + w / 2) * scale - glass.clientWidth / 2, (y + h / 2) * scale - glass.clientHeight / 2];
    this.near.show(pageOf(this.found));
    image.alt = `The cell, flattened: ${this.found.label}`;
    Object.assign(image.style, { width: `${wide * scale}px`, height: `${high * scale}px`, transform: `translate(${-left}px, ${-top}px)` });
    Object.assign(mark.style, { left: `${x * scale - left - 4}px`, top: `${y * scale - top - 4}px`, width: `${w * scale + 8}px`, height: `${h * scale + 8}px` });
  }

  close() { this.off.abort(); this.lens.close(); }
}

export default function ({ parentElement, data }) {
  const root = parentElement.querySelector('.desk');
  if (!root.desk) root.desk = new Trace(root, data); else if (JSON.stringify(root.desk.data) !== JSON.stringify(data)) root.desk.open(data);
  return () => { root.desk?.close(); root.desk = null; };
}
