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
    const reply = await fetch(`/desk/trace/${data.page}?${new URLSearchParams({ cell: data.cell })}`, { cache: 'no-store' }).catch(() => null);
    this.found = reply?.ok ? await reply.json() : null;
    this.$('.work').hidden = !this.found;
    this.$('.end').hidden = Boolean(this.found);
    if (this.found) this.paint();
  }

  wire() {
    const on = (target, name, run, options = {}) => target.addEventListener(name, run, { ...options, signal: this.off.signal });
    const lens = this.$('.lens');
    const image = this.$('.lens img');
    on(image, 'load', () => this.focus());
    on(lens, 'wheel', (e) => { e.preventDefault(); this.zoom(e.deltaY < 0 ? 1.2 : 1 / 1.2, e.offsetX, e.offsetY); }, { passive: false });
    this.fingers = new Map();
    on(lens, 'pointerdown', (e) => { lens.setPointerCapture(e.pointerId); this.fingers.set(e.pointerId, [e.clientX, e.clientY]); });
    on(lens, 'pointermove', (e) => this.drag(e));
    for (const name of ['pointerup', 'pointercancel']) on(lens, name, (e) => this.fingers.delete(e.pointerId));
    on(this.root, 'click', (e) => { const act = e.target.closest?.('[data-do]')?.dataset.do; if (act) this.act(act); });
    on(lens, 'keydown', (e) => {
      const pan = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] }[e.key];
      const act = { '+': 'larger', '=': 'larger', '-': 'smaller', 0: 'all', z: 'cell', Z: 'cell' }[e.key];
      if (e.ctrlKey || e.metaKey || e.altKey || !(pan || act)) return;
      if (pan) { this.x += pan[0]; this.y += pan[1]; this.place(); } else this.act(act);
      e.preventDefault();
      e.stopPropagation();
    });
    this.sizes = new ResizeObserver(() => this.found && this.image && this.focus());
    this.sizes.observe(lens);
  }

  get image() { return this.$('.lens img').naturalWidth; }

  drag(e) {
    const before = this.fingers.get(e.pointerId);
    if (!before) return;
    const others = [...this.fingers.entries()].filter(([id]) => id !== e.pointerId).map(([, at]) => at);
    if (others.length) {                                   // two fingers: pinch
      const far = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
      const box = this.$('.lens').getBoundingClientRect();
      this.zoom(far([e.clientX, e.clientY], others[0]) / Math.max(1, far(before, others[0])), others[0][0] - box.left, others[0][1] - box.top);
    } else { this.x += e.clientX - before[0]; this.y += e.clientY - before[1]; }
    this.fingers.set(e.pointerId, [e.clientX, e.clientY]);
    this.place();
  }

  act(what) {
    const lens = this.$('.lens');
    const middle = [lens.clientWidth / 2, lens.clientHeight / 2];
    ({ larger: () => this.zoom(1.4, ...middle), smaller: () => this.zoom(1 / 1.4, ...middle), all: () => this.whole(), cell: () => this.focus(), copy: () => this.copy() })[what]?.();
  }

  zoom(by, x, y) {
    const scale = Math.max(0.03, Math.min(6, this.scale * by));
    this.x = x - ((x - this.x) * scale) / this.scale;
    this.y = y - ((y - this.y) * scale) / this.scale;
    this.scale = scale;
    this.place();
  }

  whole() {
    const [lens, image] = [this.$('.lens'), this.$('.lens img')];
    this.scale = Math.min(lens.clientWidth / image.naturalWidth, lens.clientHeight / image.naturalHeight);
    this.x = (lens.clientWidth - image.naturalWidth * this.scale) / 2;
    this.y = (lens.clientHeight - image.naturalHeight * this.scale) / 2;
    this.place();
  }

  focus() {                                                // the cell, three times its width around
    const points = this.found?.corners ?? [];
    if (points.length < 4 || !this.image) return this.whole();
    const lens = this.$('.lens');
    const [xs, ys] = [points.map((p) => p[0]), points.map((p) => p[1])];
    const span = Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys), 60);
    this.scale = Math.min(lens.clientWidth, lens.clientHeight) / (3 * span);
    this.x = lens.clientWidth / 2 - (this.scale * (Math.max(...xs) + Math.min(...xs))) / 2;
    this.y = lens.clientHeight / 2 - (this.scale * (Math.max(...ys) + Math.min(...ys))) / 2;
    return this.place();
  }

  place() {
    this.$('.lens img').style.transform = `translate(${this.x}px, ${this.y}px) scale(${this.scale})`;
    const points = this.found.corners.map(([a, b]) => `${a * this.scale + this.x},${b * this.scale + this.y}`).join(' ');
    this.root.querySelectorAll('.lens polygon').forEach((p) => p.setAttribute('points', points));
  }

  async copy() {
    try { await navigator.clipboard.writeText(location.href); this.$('.copied').textContent = 'Copied.'; } catch { this.$('.copied').textContent = location.href; }
  }

  paint() {
    const { found } = this;
    this.$('.lens img').src = `/desk/viewable/${found.sha256}`;
    this.$('.photo').textContent = `${found.photo}, kept ${found.kept_at.slice(0, 16).replace('T', ' ')} UTC, SHA-256 ${found.sha256.slice(0, 12)}…; printed corners within ${found.residual_mm} mm`;
    this.$('.title').textContent = found.label;
    this.$('.where').textContent = found.where + (found.superseded ? ' · another photograph of this sheet counts' : '');
    this.crop();
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
    this.$('.reasons').replaceChildren(make('p', `${found.accepted ? 'Accepted by the program' : 'Given to a person'}; reader ${found.reader}.`), ...found.reasons.map((r) => make('p', r)));
    this.$('.page').href = `whole?page=${found.page}&cell=${encodeURIComponent(found.cell)}`;
    this.$('.live').textContent = `${found.label}. ${found.where}. ${found.history.length} entries.`;
  }

  crop() {
    const [glass, image, mark] = [this.$('.near'), this.$('.near img'), this.$('.near .mark')];
    const [wide, high] = this.found.size_mm;
    const [x, y, w, h] = this.found.box.map((v, i) => v * (i % 2 ? high : wide));
    const scale = Math.min(glass.clientWidth / (w + 12), glass.clientHeight / (h + 8), 11);
    const [left, top] = [(x + w / 2) * scale - glass.clientWidth / 2, (y + h / 2) * scale - glass.clientHeight / 2];
    image.src = `/desk/page/${this.found.page}`;
    image.alt = `The cell, flattened: ${this.found.label}`;
    Object.assign(image.style, { width: `${wide * scale}px`, height: `${high * scale}px`, transform: `translate(${-left}px, ${-top}px)` });
    Object.assign(mark.style, { left: `${x * scale - left - 4}px`, top: `${y * scale - top - 4}px`, width: `${w * scale + 8}px`, height: `${h * scale + 8}px` });
  }

  close() { this.off.abort(); this.sizes.disconnect(); }
}

export default function ({ parentElement, data }) {
  const root = parentElement.querySelector('.desk');
  if (!root.desk) root.desk = new Trace(root, data); else if (JSON.stringify(root.desk.data) !== JSON.stringify(data)) root.desk.open(data);
  return () => { root.desk?.close(); root.desk = null; };
}
