// Windows on the flattened page: near, row, thumbnail, whole. Each page's picture is fetched once; a cell is a place on it.
class Windows {
  // `changed()` is called when there are other words about the picture of the cell.
  constructor(root, changed) {
    this.$ = (selector) => root.querySelector(selector);
    this.sheets = new Map();
    this.picture = new Picture(this.$('.near img'), changed);
    this.pictures = [this.picture, ...['.row', '.map', '.sheet'].map((box) => new Picture(this.$(`${box} img`)))];
  }

  show(item) {
    const [wide, high] = item.size_mm;
    const [x, y, w, h] = item.box.map((v, i) => v * (i % 2 ? high : wide));
    const look = (glass, scale, inset) => {
      const shift = (centre, span, size) => {              // keeps the window on the page, `inset` mm inside its edges
        const [low, high_] = [inset * scale, (size - inset) * scale - span];
        return low >= high_ ? (size * scale - span) / 2 : Math.max(low, Math.min(high_, centre * scale - span / 2));
      };
      const left = shift(x + w / 2, glass.clientWidth, wide);
      const top = shift(y + h / 2, glass.clientHeight, high);
      const edge = Math.max(3, scale);
      Object.assign(glass.querySelector('img').style, { width: `${wide * scale}px`, height: `${high * scale}px`,
        transform: `translate(${-left}px, ${-top}px)` });
      Object.assign(glass.querySelector('.mark').style, { left: `${x * scale - left - edge}px`,
        top: `${y * scale - top - edge}px`, width: `${w * scale + 2 * edge}px`, height: `${h * scale + 2 * edge}px` });
    };
    const [near, row, map] = [this.$('.near'), this.$('.row'), this.$('.map')];
    look(near, Math.min(near.clientWidth / (w + 14), near.clientHeight / (h + 9), 11), 0);
    look(row, row.clientWidth / Math.min(wide - 16, Math.max(110, w + 20, row.clientWidth / 3.6)), 8);
    for (const box of [map, this.$('.sheet')]) {
      Object.assign(box.querySelector('.mark').style, { left: `${100 * item.box[0]}%`, top: `${100 * item.box[1]}%`,
        width: `${100 * item.box[2]}%`, height: `${100 * item.box[3]}%` });
    }
    map.style.aspectRatio = `${wide} / ${high}`;
    for (const picture of this.pictures) {
      picture.show(pageOf(item));
      picture.image.alt = `The photographed sheet at ${item.label}`;
    }
  }

  preload(items) {                                         // the next pages are in the browser before they are shown
    const ahead = items.map(pageOf);
    for (const address of [...new Set(ahead)].slice(0, 3)) {
      if (this.sheets.has(address)) continue;
      const image = new Image();
      image.src = address;
      image.decode?.().catch(() => this.sheets.delete(address));
      this.sheets.set(address, image);
      if (this.sheets.size > 6) this.sheets.delete(this.sheets.keys().next().value);
    }
  }

  whole(item) {
    const sheet = this.$('.sheet');
    const image = this.$('.sheet img');
    this.$('dialog').showModal();
    image.decode().then(() => sheet.scrollTo(image.clientWidth * (item.box[0] + item.box[2] / 2) - sheet.clientWidth / 2,
      image.clientHeight * (item.box[1] + item.box[3] / 2) - sheet.clientHeight / 2), () => {});
  }
}
