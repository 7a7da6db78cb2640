// A picture of what is to be decided. What nobody can see is not decided: until it is there nothing stands in its place, not the sheet
// before it either, which a browser would go on showing; one that could not be had is asked for again until it is there.
const COMING = 'The picture is still on its way: decide when you see it.';
const LOST = 'The picture could not be fetched, so this cell cannot be decided now. It is asked for again by itself.';
const AGAIN_MS = 2000;

// The flattened page, by its photograph too: a browser keeps it, and another store that is served here later has a page of that number.
const pageOf = ({ page, sha256 }) => `/desk/page/${page}/${sha256}`;

class Picture {
  // `changed()` is called when `words` are other than before without anybody having pressed.
  constructor(image, changed = () => {}) {
    Object.assign(this, { image, lost: false, early: false });
    image.addEventListener('load', () => { const told = this.lost || this.early; this.lost = false; this.early = false; this.place(); if (told) changed(); });
    image.addEventListener('error', () => { this.lost = true; this.place(); changed(); this.again(this.address); });
  }

  get address() { return this.image.getAttribute('src'); }
  get seen() { return this.image.complete && this.image.naturalWidth > 0; }     // at once for one that the browser has
  get words() { return this.seen ? '' : this.lost ? LOST : this.early ? COMING : ''; }

  show(address) {
    if (address === this.address) return;
    Object.assign(this, { lost: false, early: false });
    this.image.src = address;
    this.place();
  }

  refuses() { this.early = !this.seen; return this.early; }  // whether a decision comes before anybody can have seen it

  place() { this.image.parentElement.classList.toggle('coming', !this.seen); }

  again(address) { setTimeout(() => { if (this.image.isConnected && this.lost && this.address === address) this.image.src = address; }, AGAIN_MS); }
}
