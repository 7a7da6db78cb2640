// What the box for files refuses is said in words beneath it, and stays there: the box itself tells why to a pointer only, and is empty
// again as soon as something else that was chosen is kept.
const CHIP = '[data-testid=stFileChip][aria-invalid=true]';

class Refused {
  constructor(list, most_mb) {
    Object.assign(this, { list, most_mb, off: new AbortController() });
    const anew = (e) => { if (e.target.closest?.('[data-testid=stFileUploader]')) this.list.replaceChildren(); };
    for (const name of ['change', 'drop']) document.addEventListener(name, anew, { capture: true, signal: this.off.signal });
    this.watch = new MutationObserver(() => this.look());
    this.watch.observe(document.body, { childList: true, subtree: true });
    this.look();
  }

  look() {
    for (const chip of document.querySelectorAll(CHIP)) {
      const line = document.createElement('li');
      line.textContent = this.words(chip);
      this.list.append(line);
      chip.querySelector('[data-testid=stFileChipDeleteBtn] button').click();
    }
    this.list.hidden = !this.list.children.length;
  }

  words(chip) {
    const name = chip.querySelector('[data-testid=stFileChipName]').title;
    return chip.querySelector('[role=alert]').textContent.includes('smaller')
      ? `${name} was not added: it has more than ${this.most_mb} MB. Photograph the sheet with the phone’s usual setting.`
      : `${name} was not added: it is no photograph, PDF or zip archive.`;
  }

  close() { this.off.abort(); this.watch.disconnect(); }
}

export default function ({ parentElement, data }) {
  const list = parentElement.querySelector('ul');
  list.refused ??= new Refused(list, data.most_mb);
  return () => { list.refused?.close(); list.refused = null; };
}
