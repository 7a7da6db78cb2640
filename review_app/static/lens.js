// A photograph behind a window: wheel, two fingers, keys and buttons make it larger, drag and arrow keys move it. It is turned by
// quarters, for one that lies on its side, and by single degrees, for one that was held askew; two fingers turn it too.
class Lens {
  // `corners` are points of the photograph to outline and to go to, from the upper left of what they outline on: it is shown upright.
  // Without any, the whole photograph is shown.
  // `changed()` is called when there are other words about its picture.
  constructor(window_, signal, changed) {
    Object.assign(this, { window: window_, corners: [], angle: 0, x: 0, y: 0, scale: 1 });
    this.image = window_.querySelector('img');
    this.picture = new Picture(this.image, changed);
    this.fingers = new Map();
    this.slant = window_.closest('section')?.querySelector('.slant input');
    this.slant?.addEventListener('input', () => this.lean(Number(this.slant.value)), { signal });
    const on = (target, name, run, options = {}) => target.addEventListener(name, run, { ...options, signal });
    on(this.image, 'load', () => { this.angle = Number(sessionStorage.getItem(this.named) ?? this.upright); this.turned(); this.focus(); });
    on(window_, 'wheel', (e) => { e.preventDefault(); this.zoom(e.deltaY < 0 ? 1.2 : 1 / 1.2, e.offsetX, e.offsetY); }, { passive: false });
    on(window_, 'pointerdown', (e) => { window_.setPointerCapture(e.pointerId); this.fingers.set(e.pointerId, [e.clientX, e.clientY]); });
    on(window_, 'pointermove', (e) => this.drag(e));
    for (const name of ['pointerup', 'pointercancel']) on(window_, name, (e) => this.fingers.delete(e.pointerId));
    on(window_, 'keydown', (e) => {
      const pan = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] }[e.key];
      const act = { '+': 'larger', '=': 'larger', '-': 'smaller', 0: 'all', z: 'cell', Z: 'cell', '[': 'left', ']': 'right', ',': 'less', '.': 'more' }[e.key];
      if (e.ctrlKey || e.metaKey || e.altKey || !(pan || act)) return;
      if (pan) { this.x += pan[0]; this.y += pan[1]; this.place(); } else this.act(act);
      e.preventDefault();
      e.stopPropagation();
    });
    this.sizes = new ResizeObserver(() => this.image.naturalWidth && this.focus());
    this.sizes.observe(window_);
  }

  show(sha256) { this.picture.show(`/desk/viewable/${sha256}`); }

  get size() {                                             // of the room that the photograph needs as it is turned now
    const { naturalWidth: w, naturalHeight: h } = this.image;
    const [across, along] = [Math.abs(Math.cos((this.angle * Math.PI) / 180)), Math.abs(Math.sin((this.angle * Math.PI) / 180))];
    return [w * across + h * along, w * along + h * across];
  }

  get upright() {                                          // the quarter by which the outlined cell is read from left to right
    const [a, b] = this.corners;
    return b ? -90 * Math.round(Math.atan2(b[1] - a[1], b[0] - a[0]) / (Math.PI / 2)) : 0;
  }

  turnedTo([px, py]) {                                     // where a point of the photograph lies, in its pixels, as it is turned now
    const { naturalWidth: w, naturalHeight: h } = this.image;
    const [cos, sin] = [Math.cos((this.angle * Math.PI) / 180), Math.sin((this.angle * Math.PI) / 180)];
    const [u, v] = [px - w / 2, py - h / 2];
    return [this.size[0] / 2 + u * cos - v * sin, this.size[1] / 2 + u * sin + v * cos];
  }

  act(what) {
    const middle = [this.window.clientWidth / 2, this.window.clientHeight / 2];
    ({ larger: () => this.zoom(1.4, ...middle), smaller: () => this.zoom(1 / 1.4, ...middle), all: () => this.whole(), cell: () => this.focus(),
      left: () => this.quarter(-1), right: () => this.quarter(1), less: () => this.lean(this.askew - 1), more: () => this.lean(this.askew + 1) })[what]?.();
  }

  get named() { return `turned ${this.image.getAttribute('src')}`; }   // a photograph stays as it was turned while the window is open

  get askew() { return this.angle - 90 * Math.round(this.angle / 90); }

  quarter(by) { this.angle += 90 * by; this.turned(); this.whole(); }

  lean(to) { this.rotate(Math.max(-45, Math.min(45, to)) - this.askew, this.window.clientWidth / 2, this.window.clientHeight / 2); }

  rotate(by, x, y) {                                       // about a point of the window
    const half = () => this.size.map((v) => (v * this.scale) / 2);
    const [a, [dx, dy]] = [(by * Math.PI) / 180, half()];
    const [u, v] = [this.x + dx - x, this.y + dy - y];
    this.angle += by;
    const [ex, ey] = half();
    [this.x, this.y] = [x + u * Math.cos(a) - v * Math.sin(a) - ex, y + u * Math.sin(a) + v * Math.cos(a) - ey];
    this.turned();
    this.place();
  }

  turned() {
    this.angle %= 360;
    sessionStorage.setItem(this.named, this.angle);
    if (!this.slant) return;
    this.slant.value = this.askew;
    this.slant.closest('.slant').querySelector('output').textContent = `${Math.round(this.askew)}°`;
  }

  drag(e) {
    const before = this.fingers.get(e.pointerId);
    if (!before) return;
    const others = [...this.fingers.entries()].filter(([id]) => id !== e.pointerId).map(([, at]) => at);
    if (others.length) {                                   // two fingers: pinch
      const far = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
      const box = this.window.getBoundingClientRect();
      const [x, y] = [others[0][0] - box.left, others[0][1] - box.top];
      this.zoom(far([e.clientX, e.clientY], others[0]) / Math.max(1, far(before, others[0])), x, y);
      const way = (a) => Math.atan2(a[1] - others[0][1], a[0] - others[0][0]);
      const by = ((way([e.clientX, e.clientY]) - way(before)) * 180) / Math.PI;
      if (this.slant) this.rotate(((by + 540) % 360) - 180, x, y);
    } else { this.x += e.clientX - before[0]; this.y += e.clientY - before[1]; }
    this.fingers.set(e.pointerId, [e.clientX, e.clientY]);
    this.place();
  }

  zoom(by, x, y) {
    const scale = Math.max(0.03, Math.min(6, this.scale * by));
    this.x = x - ((x - this.x) * scale) / this.scale;
    this.y = y - ((y - this.y) * scale) / this.scale;
    this.scale = scale;
    this.place();
  }

  whole() {
    const [wide, high] = this.size;
    if (!wide) return;
    this.scale = Math.min(this.window.clientWidth / wide, this.window.clientHeight / high);
    this.x = (this.window.clientWidth - wide * this.scale) / 2;
    this.y = (this.window.clientHeight - high * this.scale) / 2;
    this.place();
  }

  focus() {                                                // the cell, three times its width around
    const points = this.corners.map((p) => this.turnedTo(p));
    if (points.length < 4 || !this.image.naturalWidth) return this.whole();
    const { window: lens } = this;
    const [xs, ys] = [points.map((p) => p[0]), points.map((p) => p[1])];
    const span = Math.max(Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys), 60);
    this.scale = Math.min(lens.clientWidth, lens.clientHeight) / (3 * span);
    this.x = lens.clientWidth / 2 - (this.scale * (Math.max(...xs) + Math.min(...xs))) / 2;
    this.y = lens.clientHeight / 2 - (this.scale * (Math.max(...ys) + Math.min(...ys))) / 2;
    return this.place();
  }

  place() {
    const [dx, dy] = this.size.map((v) => (v * this.scale) / 2);
    const { naturalWidth: w, naturalHeight: h } = this.image;
    this.image.style.transform = `translate(${this.x + dx}px, ${this.y + dy}px) rotate(${this.angle}deg) scale(${this.scale}) translate(${-w / 2}px, ${-h / 2}px)`;
    const points = this.corners.map((p) => this.turnedTo(p)).map(([a, b]) => `${a * this.scale + this.x},${b * this.scale + this.y}`).join(' ');
    this.window.querySelectorAll('polygon').forEach((p) => p.setAttribute('points', points));
  }

  close() { this.sizes.disconnect(); }
}
