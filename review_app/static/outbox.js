// Decisions on their way to the server. Each is kept in the browser's database until the server has answered for it, is sent in order,
// and may be sent twice: the server knows it by (client, seq). The last few may be held back, so that they can be taken back without a
// trace, until the page is left or out of sight or rests for two minutes; loaded again, it sends them too.
// A browser whose database does not answer for SLOW_MS is not waited for: what it kept is sent when it does answer.
const [MOST_HELD, REST_MS, SLOW_MS] = [10, 120000, 4000];

// Records of decisions, which a browser that is killed has kept: it writes its database at once, its local storage up to a minute later.
class Shelf {
  constructor() {
    this.database = new Promise((done, failed) => {
      const asked = indexedDB.open('desk', 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore('out', { keyPath: ['client', 'seq'] });
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => failed(asked.error);
    });
  }

  async run(mode, act) {
    try {
      const database = await this.database;
      return await new Promise((done, failed) => {
        const step = database.transaction('out', mode);
        const asked = act(step.objectStore('out'));
        step.oncomplete = () => done(asked.result);
        step.onabort = () => failed(step.error);
      });
    } catch { return null; }                               // a browser that keeps nothing: memory only
  }

  put(record) { return this.run('readwrite', (out) => out.put(record)); }
  drop({ client, seq }) { return this.run('readwrite', (out) => out.delete([client, seq])); }
  async all() { return (await this.run('readonly', (out) => out.getAll())) ?? []; }
}

class Outbox {
  // `answered(record, result)` is called once for each record, `changed()` whenever the connection's state changes.
  // Only decisions made on this `store` are sent; those made on another folder stay in the browser until it is served.
  // Where people log in, `proven` is who did, and what another person decided in this browser waits for them; so does what was decided
  // on a page that is still open when another person logs in beside it (`another`).
  constructor(store, answered, changed, proven = '') {
    this.store = store;
    this.others = 0;
    this.answered = answered;
    this.changed = changed;
    this.client = [...crypto.getRandomValues(new Uint8Array(9))].map((b) => b.toString(16).padStart(2, '0')).join('');
    this.seq = 0;
    this.lost = false;
    this.stopped = '';
    this.held = [];                                        // keys of those that are held back, the last one last
    this.waiting = new Map();
    this.shelf = new Shelf();
    this.recalled = this.recall(proven);                   // until what was left here is among those that wait
  }

  recall(proven) {
    const kept = this.shelf.all().then((records) => this.among(records, proven));
    return Promise.race([kept, new Promise((done) => { setTimeout(done, SLOW_MS); })]);
  }

  among(records, proven) {
    for (const record of records) {
      if (record.store !== this.store) continue;
      if (!proven || record.by === proven) this.waiting.set(this.key(record), record);
      else { this.others += 1; this.whose = record.by; }
    }
    if (this.closed) return;
    this.send();
    this.changed();
  }

  key({ client, seq }) { return `${client}:${seq}`; }

  get size() { return this.waiting.size; }

  get ready() { return [...this.waiting].filter(([key]) => !this.held.includes(key)); }

  add(record, { hold = false } = {}) {
    const full = { ...record, store: this.store, client: this.client, seq: ++this.seq };
    const key = this.key(full);
    this.waiting.set(key, full);
    this.shelf.put(full);
    if (hold) this.hold(key);
    this.send();
    return full;
  }

  hold(key) {
    this.held = [...this.held, key].slice(-MOST_HELD);
    clearTimeout(this.resting);
    this.resting = setTimeout(() => this.release(), REST_MS);
  }

  release() {
    this.held = [];
    clearTimeout(this.resting);
    this.send();
    this.changed();
  }

  takeBack() {                                             // the last record that is held, which is gone then
    const key = this.held.pop();
    const record = this.waiting.get(key);
    this.waiting.delete(key);
    this.shelf.drop(record);
    return record;
  }

  async send() {
    if (this.busy || this.stopped || !this.ready.length) return;
    this.busy = true;
    clearTimeout(this.timer);
    try {
      while (this.ready.length && !this.closed) await this.post(this.ready.slice(0, 50));
    } catch {
      this.lost = true;
    } finally {
      this.busy = false;
    }
    if (this.closed) return;
    this.changed();
    if (this.lost && !this.stopped) this.timer = setTimeout(() => this.send(), 2000);
  }

  async post(batch) {
    const body = JSON.stringify({ records: batch.map(([, record]) => record) });
    const reply = await fetch('/desk/decisions', {
      method: 'POST',
      keepalive: body.length < 20000,                      // what is sent while the page goes away arrives; browsers take 64 KiB
      headers: { 'content-type': 'application/json', 'x-desk': 'decisions' },
      body,
    });
    this.loggedOut = reply.status === 401;
    if (reply.status >= 400 && reply.status < 500 && !this.loggedOut) {
      this.stopped = (await reply.json().catch(() => ({}))).sentence || `The server answered ${reply.status}.`;
    }
    if (!reply.ok) throw new Error(reply.status);
    const { results, progress } = await reply.json();
    this.lost = false;
    this.progress = progress;
    if (results.length !== batch.length) throw new Error('not every decision was answered');
    const kept = batch.findIndex((_, i) => results[i].here);
    this.another = kept < 0 ? null : { here: results[kept].here, by: batch[kept][1].by };
    batch.forEach(([key, record], i) => {                  // answers come in the order of the decisions
      if (results[i].here) return;
      this.waiting.delete(key);
      this.shelf.drop(record);
      this.answered(record, results[i]);
    });
    if (this.another) throw new Error('somebody else is logged in');
  }

  close() { this.closed = true; clearTimeout(this.timer); clearTimeout(this.resting); }
}
