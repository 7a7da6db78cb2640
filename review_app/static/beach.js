// The phone's page. Chosen photographs are put in this browser's database first, then sent in pieces; a piece that was
// not answered is sent again from where the laptop says it is. A reload or a lost network continues where it stopped.
'use strict';
const BASE = location.pathname.replace(/\/$/, '');
const PIECE = 512 * 1024;
const $ = (selector) => document.querySelector(selector);
const make = (tag, text = '', attributes = {}, children = []) => {
  const node = document.createElement(tag);
  node.textContent = text;
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  node.append(...children);
  return node;
};
const wait = (ms) => new Promise((done) => { setTimeout(done, ms); });

// ---- what this phone keeps -------------------------------------------------------------------------------------------
class Kept {                                               // photographs not sent yet, and marks of those that were
  async open() {
    this.safe = true;
    try {
      this.db = await new Promise((done, failed) => {
        const asked = indexedDB.open('beach', 1);
        asked.onupgradeneeded = () => asked.result.createObjectStore('photos', { keyPath: 'id' });
        asked.onsuccess = () => done(asked.result);
        asked.onerror = () => failed(asked.error);
      });
    } catch { this.safe = false; }
  }

  run(mode, act) {
    return new Promise((done, failed) => {
      const step = this.db.transaction('photos', mode);
      const asked = act(step.objectStore('photos'));
      step.oncomplete = () => done(asked.result);
      step.onabort = step.onerror = () => failed(step.error);
    });
  }

  async put(photo) {
    if (!this.db) return;
    const { id, name, size, order, sha256, blob } = photo;
    try { await this.run('readwrite', (s) => s.put({ id, name, size, order, sha256, link: BASE, blob: sha256 ? null : blob })); } catch { this.safe = false; }
  }

  async all() {
    if (!this.db) return [];
    try { return (await this.run('readonly', (s) => s.getAll())).filter((p) => p.link === BASE || !p.sha256).sort((a, b) => a.order - b.order); } catch { return []; }
  }

  async drop(id) { if (this.db) try { await this.run('readwrite', (s) => s.delete(id)); } catch { /* it stays */ } }
}

// ---- sending ---------------------------------------------------------------------------------------------------------
class Refused extends Error {}

async function answer(reply) {
  const said = await reply.json().catch(() => ({}));
  if (reply.status === 403) throw Object.assign(new Refused(said.sentence), { over: true });
  if (reply.status >= 400 && reply.status < 500) throw new Refused(said.sentence || `The laptop answered ${reply.status}.`);
  if (!reply.ok) throw new Error(reply.status);
  return said;
}

class Beach {
  constructor() { Object.assign(this, { photos: new Map(), kept: new Kept(), verdicts: {}, lost: false, over: '' }); }

  async start() {
    for (const id of ['take', 'choose']) $(`#${id}`).addEventListener('change', (e) => { this.add([...e.target.files]); e.target.value = ''; });
    for (const name of ['online', 'focus', 'pageshow']) window.addEventListener(name, () => this.wake());
    document.addEventListener('visibilitychange', () => { if (!document.hidden) this.wake(); });
    window.addEventListener('beforeunload', (e) => { if (!this.kept.safe && this.unsent().length) e.preventDefault(); });
    await this.kept.open();
    for (const photo of await this.kept.all()) this.photos.set(photo.id, photo);
    this.look();
    this.send();
  }

  unsent() { return [...this.photos.values()].filter((p) => !p.sha256 && !p.refused); }
  wake() { this.nap?.(); this.look(); this.send(); }
  pause(ms) { return new Promise((done) => { const timer = setTimeout(done, ms); this.nap = () => { clearTimeout(timer); done(); }; }); }

  async add(files) {
    for (const file of files) {
      const id = [...crypto.getRandomValues(new Uint8Array(12))].map((b) => b.toString(16).padStart(2, '0')).join('');
      const photo = { id, name: file.name || 'photograph.jpg', size: file.size, order: Date.now() + this.photos.size / 1000, blob: file, have: 0 };
      if (!file.size) photo.refused = 'This file is empty. Take or choose the photograph again.';
      this.photos.set(id, photo);
      this.draw();
      if (!photo.refused) await this.kept.put(photo);
    }
    this.send();
  }

  async send() {
    if (this.busy) return;
    this.busy = true;
    let photo;
    while (!this.over && (photo = this.unsent()[0])) {
      try {
        await this.one(photo);
        this.lost = false;
      } catch (error) {
        if (error.over) this.over = error.message;
        else if (error instanceof Refused) photo.refused = error.message;
        else { this.lost = true; this.draw(); await this.pause(2500); }
      }
      this.draw();
    }
    this.busy = false;
  }

  async one(photo) {
    let { have } = await answer(await fetch(`${BASE}/part/${photo.id}`, { cache: 'no-store' }));
    while (!photo.sha256) {
      photo.have = have;
      this.lost = false;
      this.draw();
      const piece = photo.blob.slice(have, have + PIECE);
      const ask = new URLSearchParams({ at: have, size: photo.size, name: photo.name });
      let body;
      try { body = await piece.arrayBuffer(); } catch { throw new Refused('This phone no longer holds the photograph. Choose it again.'); }
      const said = await answer(await fetch(`${BASE}/part/${photo.id}?${ask}`, { method: 'POST', body, headers: { 'content-type': 'application/octet-stream' } }));
      have = said.have;
      if (said.sha256) { photo.sha256 = said.sha256; photo.have = photo.size; await this.kept.put(photo); this.once(photo); this.look(); }
    }
  }

  once(photo) {                                            // sent before: it stands in the list once
    for (const other of [...this.photos.values()]) if (other !== photo && other.sha256 === photo.sha256) this.drop(other);
  }

  drop(photo) { this.photos.delete(photo.id); this.kept.drop(photo.id); }

  // ---- verdicts --------------------------------------------------------------------------------------------------------
  async look() {
    if (this.looking) { this.again = true; return; }
    this.looking = true;
    clearTimeout(this.timer);
    const mine = [...this.photos.values()].map((p) => p.sha256).filter(Boolean).slice(-200);
    try {
      const said = await answer(await fetch(`${BASE}/state?photos=${mine.join(',')}`, { cache: 'no-store' }));
      this.verdicts = said.photos;
      this.surveys = said.surveys;
      this.lost = false;
    } catch (error) {
      if (error.over) this.over = error.message; else this.lost = true;
    }
    this.looking = false;
    this.draw();
    if (this.over) return;
    const open = mine.some((s) => !this.verdicts[s] || this.verdicts[s].kind === 'wait');
    if (this.again) { this.again = false; this.look(); } else this.timer = setTimeout(() => this.look(), this.lost ? 3000 : open ? 500 : document.hidden ? 30000 : 6000);
  }

  // ---- drawing ---------------------------------------------------------------------------------------------------------
  draw() {
    const waiting = this.unsent().length;
    const line = $('#line');
    const photographs = (n) => (n === 1 ? '1 photograph' : `${n} photographs`);
    const keep = waiting === 1 ? (this.kept.safe ? 'It is kept in this phone and will be sent by itself.' : 'Keep this page open until it is sent.')
      : this.kept.safe ? 'They are kept in this phone and will be sent by themselves.' : 'Keep this page open until they are sent.';
    const moved = waiting ? ` If the laptop is on another network now, scan its new code and choose ${waiting === 1 ? 'the photograph' : 'them'} again.` : '';   // a browser keeps things by address
    const said = this.over || (this.lost ? `No connection to the laptop. ${waiting ? `${photographs(waiting)} still to send. ${keep} ` : ''}Stay on the laptop’s Wi-Fi, and ask there whether phones are still let in.${moved}`
      : waiting ? `Sending: ${photographs(waiting)} to go.${this.kept.safe ? '' : ' Keep this page open.'}` : [this.sum(photographs), this.photos.size ? this.lacking() : ''].filter(Boolean).join(' '));
    if (line.textContent !== said) line.textContent = said;
    line.classList.toggle('bad', Boolean(this.over || this.lost));
    $('#mine').hidden = !this.photos.size;
    const list = $('#list');
    const turn = (photo) => ({ bad: 0, look: 0, wait: 1, good: 2, aside: 2 })[this.verdict(photo).kind];   // what needs a hand comes first
    const shown = [...this.photos.values()].reverse().sort((a, b) => turn(a) - turn(b));
    shown.forEach((photo, i) => {
      photo.node ??= make('li');
      this.photo(photo);
      if (list.children[i] !== photo.node) list.insertBefore(photo.node, list.children[i] ?? null);
    });
    [...list.children].slice(shown.length).forEach((n) => n.remove());
    this.cards();
  }

  sum(photographs) {
    const all = [...this.photos.values()].map((p) => this.verdict(p));
    const tell = all.filter((v) => v.tell).length;         // taking these again would not help
    const kinds = all.filter((v) => !v.tell).map((v) => v.kind);
    const count = (...wanted) => kinds.filter((k) => wanted.includes(k)).length;
    if (count('aside') === all.length) return '';
    if (count('wait')) return `All sent. ${photographs(count('wait'))} being read.`;
    const again = count('bad', 'look');
    if (!again && !tell) return `✓ ${photographs(count('good'))} read.`;
    return [again && `${photographs(again)} to take again`, tell && `${photographs(tell)} to be told of at the laptop`, `${count('good')} read.`].filter(Boolean).join(', ');
  }

  lacking() {                                              // of the newest survey, below all photographs too
    const [survey] = this.surveys ?? [];
    if (!survey) return '';
    return survey.missing ? `${survey.missing === 1 ? '1 sheet' : `${survey.missing} sheets`} of pack ${survey.pack} still missing, see below.` : `All sheets of pack ${survey.pack} are in.`;
  }

  verdict(photo) {
    if (photo.refused) return { kind: 'bad', title: 'Not sent', lines: [photo.refused], marks: [], own: true };
    if (!photo.sha256) {
      const share = Math.round((100 * (photo.have ?? 0)) / photo.size);
      return { kind: 'wait', title: this.lost || this.over ? `Waits in this phone, ${share} % sent` : share ? `Sending, ${share} %` : 'Waits to be sent', lines: [], marks: [], share, own: true };
    }
    return this.verdicts[photo.sha256] ?? { kind: 'wait', title: 'Sent. Waits to be read', lines: [], marks: [], own: true };
  }

  photo(photo) {
    const verdict = this.verdict(photo);
    const drawn = JSON.stringify(verdict);
    if (photo.drawn === drawn) return;
    photo.drawn = drawn;
    const sign = { good: '✓', look: '▲', bad: '✕', wait: '…', aside: '–' }[verdict.kind];
    const large = verdict.marks.length > 0;
    photo.node.className = `photo ${verdict.kind}${large ? '' : ' small'}`;
    const told = make('div', '', { class: 'told' }, [make('p', `${sign} ${verdict.title}`, { class: 'title' }), ...verdict.lines.map((l) => make('p', l)), make('p', photo.name, { class: 'name' })]);
    if ('share' in verdict) told.append(make('div', '', { class: 'track', role: 'progressbar', 'aria-valuenow': verdict.share, 'aria-label': `${photo.name} sent` }, [make('span')]));
    const bar = told.querySelector('.track span');
    if (bar) bar.style.width = `${verdict.share}%`;
    if (['bad', 'look', 'aside'].includes(verdict.kind)) {   // it stays at the laptop, where it was sent
      const button = make('button', 'Take it off this list', { type: 'button' });
      button.addEventListener('click', () => { this.drop(photo); this.draw(); });
      told.append(button);
    }
    const picture = this.picture(photo, verdict);
    photo.node.replaceChildren(...(large ? [told, picture] : [picture, told]));   // what to do first, then where
  }

  picture(photo, verdict) {
    if (photo.blob && !photo.url) photo.url = URL.createObjectURL(photo.blob);
    const image = make('img', '', { alt: verdict.marks.length ? 'Your photograph with the place marked' : '' });
    image.addEventListener('error', () => { image.hidden = true; });
    image.src = verdict.own || verdict.kind === 'wait' ? photo.url ?? '' : `${BASE}/${verdict.picture}`;
    const box = make('div', '', {}, [image]);
    if (verdict.marks.length) {
      const svg = document.createElementNS('http://www.w3.org/2000/svg', 'svg');
      svg.setAttribute('viewBox', '0 0 1 1');
      svg.setAttribute('preserveAspectRatio', 'none');
      svg.setAttribute('aria-hidden', 'true');
      for (const mark of verdict.marks) {
        for (const look of ['', 'top']) {
          const shape = document.createElementNS('http://www.w3.org/2000/svg', 'polygon');
          shape.setAttribute('points', mark.map((p) => p.join(',')).join(' '));
          if (look) shape.setAttribute('class', look);
          svg.append(shape);
        }
      }
      box.append(svg);
    }
    return make('figure', '', {}, [box]);
  }

  cards() {
    const drawn = JSON.stringify(this.surveys ?? null);
    if (this.drawn === drawn) return;
    this.drawn = drawn;
    const cards = (this.surveys ?? []).map((s) => this.card(s));
    if (this.surveys && !cards.length) cards.push(make('div', '', { class: 'survey' }, [make('h2', 'No sheet is in yet'), make('p', 'As soon as one is read, you see here which are still missing.')]));
    const [first, ...others] = cards;
    const more = others.length ? [make('details', '', {}, [make('summary', others.length === 1 ? 'Another survey' : `${others.length} other surveys`), ...others])] : [];
    $('#surveys').replaceChildren(...(first ? [first] : []), ...more);
  }

  card(survey) {
    const basics = survey.basics.filter((b) => b.text);
    const doubtful = basics.some((b) => !b.sure);
    const words = make('p', '', { class: 'basics' }, basics.map((b) => make('span', b.text, { title: b.label })));
    if (doubtful) words.append(make('i', 'As the program reads them: are they right?'));
    const site = survey.rows.find((r) => r.name === 'Whole survey');
    if (!basics.length && site) words.append(make('i', site.sheets.some((s) => s.here) ? '' : 'The site sheet is not in yet.'));
    const sum = survey.missing ? `${survey.sheets - survey.missing} of ${survey.sheets} sheets in, ${survey.missing} missing` : `All ${survey.sheets} sheets are in`;
    const rows = survey.rows.flatMap((row) => [make('h3', row.name), make('ul', '', { class: 'sheets' }, row.sheets.map((s) => make('li', '', s.here ? {} : { class: 'gone' },
      [make('b', s.here ? '✓' : '✕', { 'aria-hidden': 'true' }), make('span', s.here ? s.title : `${s.title}: missing`)])))]);
    return make('div', '', { class: 'survey' }, [make('h2', `Pack ${survey.pack}`), words, make('p', `${survey.missing ? '' : '✓ '}${sum}`, { class: `sum ${survey.missing ? 'bad' : 'good'}` }), ...rows]);
  }
}

new Beach().start();
