// A photograph behind a window: wheel, two fingers, keys and buttons make it larger, drag and arrow keys move it.
class Lens {
  // `corners` are points of the photograph to outline and to go to; without any, the whole photograph is shown.
  constructor(window_, signal) {
    Object.assign(this, { window: window_, corners: [], angle: 0, x: 0, y: 0, scale: 1 });
    this.image = window_.querySelector('img');
    this.fingers = new Map();
    const on = (target, name, run, options = {}) => target.addEventListener(name, run, { ...options, signal });
    on(this.image, 'load', () => this.focus());
    on(window_, 'wheel', (e) => { e.preventDefault(); this.zoom(e.deltaY < 0 ? 1.2 : 1 / 1.2, e.offsetX, e.offsetY); }, { passive: false });
    on(window_, 'pointerdown', (e) => { window_.setPointerCapture(e.pointerId); this.fingers.set(e.pointerId, [e.clientX, e.clientY]); });
    on(window_, 'pointermove', (e) => this.drag(e));
    for (const name of ['pointerup', 'pointercancel']) on(window_, name, (e) => this.fingers.delete(e.pointerId));
    on(window_, 'keydown', (e) => {
      const pan = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] }[e.key];
      const act = { '+': 'larger', '=': 'larger', '-': 'smaller', 0: 'all', z: 'cell', Z: 'cell' }[e.key];
      if (e.ctrlKey || e.metaKey || e.altKey || !(pan || act)) return;
      if (pan) { this.x += pan[0]; this.y += pan[1]; this.place(); } else this.act(act);
      e.preventDefault();
      e.stopPropagation();
    });
    this.sizes = new ResizeObserver(() => this.image.naturalWidth && this.focus());
    this.sizes.observe(window_);
  }

  get size() {                                             // of the room that the photograph needs as it is turned now
    const { naturalWidth: w, naturalHeight: h } = this.image;
    const [across, along] = [Math.abs(Math.cos((this.angle * Math.PI) / 180)), Math.abs(Math.sin((this.angle * Math.PI) / 180))];
    return [w * across + h * along, w * along + h * across];
  }

  act(what) {
    const middle = [this.window.clientWidth / 2, this.window.clientHeight / 2];
    ({ larger: () => this.zoom(1.4, ...middle), smaller: () => this.zoom(1 / 1.4, ...middle), all: () => this.whole(), cell: () => this.focus(),
      turn: () => { this.angle = (this.angle + 30) % 360; this.whole(); } })[what]?.();
  }

  drag(e) {
    const before = this.fingers.get(e.pointerId);
    if (!before) return;
    const others = [...this.fingers.entries()].filter(([id]) => id !== e.pointerId).map(([, at]) => at);
    if (others.length) {                                   // two fingers: pinch
      const far = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
      const box = this.window.getBoundingClientRect();
      this.zoom(far([e.clientX, e.clientY], others[0]) / Math.max(1, far(before, others[0])), others[0][0] - box.left, others[0][1] - box.top);
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
    const points = this.corners;
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
    const points = this.corners.map(([a, b]) => `${a * this.scale + this.x},${b * this.scale + this.y}`).join(' ');
    this.window.querySelectorAll('polygon').forEach((p) => p.setAttribute('points', points));
  }

  close() { this.sizes.disconnect(); }
}
