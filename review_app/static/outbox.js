// Decisions on their way to the server. Each is kept in the browser's local storage until the server has answered for
// it, is sent in order, and may be sent twice: the server knows it by (client, seq). The last one may be held back, so that it can be
// taken back without a trace; loaded again, the page sends it like the others.
const KEPT = 'desk:out:';

const storage = {
  get(key) { try { return localStorage.getItem(key); } catch { return null; } },
  set(key, value) { try { localStorage.setItem(key, value); } catch { /* private window: memory only */ } },
  drop(key) { try { localStorage.removeItem(key); } catch { /* private window */ } },
  keys() { try { return Object.keys(localStorage); } catch { return []; } },
  json(key, fallback) { try { return JSON.parse(storage.get(key)) ?? fallback; } catch { return fallback; } },
};

// A name given in a form of the page is kept in the browser, once: it may be changed here later.
function heard(said) {
  if (!said?.mark || storage.get('desk:said') === said.mark) return;
  storage.set('desk:said', said.mark);
  storage.set('desk:by', said.name);
}

class Outbox {
  // `answered(record, result)` is called once for each record, `changed()` whenever the connection's state changes.
  // Only decisions made on this `store` are sent; those made on another folder stay in the browser until it is served.
  // Where people log in, `proven` is who did, and what another person decided in this browser waits for them.
  constructor(store, answered, changed, proven = '') {
    this.store = store;
    this.others = 0;
    this.answered = answered;
    this.changed = changed;
    this.client = [...crypto.getRandomValues(new Uint8Array(9))].map((b) => b.toString(16).padStart(2, '0')).join('');
    this.seq = 0;
    this.lost = false;
    this.stopped = '';
    this.held = '';                                        // the key of the one that is held back
    this.waiting = new Map();
    for (const key of storage.keys().filter((k) => k.startsWith(KEPT))) {
      const record = storage.json(key, null);
      if (record?.store !== store) continue;
      if (!proven || record.by === proven) this.waiting.set(key, record);
      else { this.others += 1; this.whose = record.by; }
    }
  }

  get size() { return this.waiting.size; }

  get ready() { return [...this.waiting].filter(([key]) => key !== this.held); }

  add(record, { hold = false } = {}) {
    const full = { ...record, store: this.store, client: this.client, seq: ++this.seq };
    const key = `${KEPT}${full.client}:${full.seq}`;
    this.waiting.set(key, full);
    storage.set(key, JSON.stringify(full));
    this.held = hold ? key : '';
    this.send();
    return full;
  }

  release() { this.held = ''; this.send(); }

  takeBack() {                                             // the record that was held, which is gone then
    const record = this.waiting.get(this.held);
    this.waiting.delete(this.held);
    storage.drop(this.held);
    this.held = '';
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
    const reply = await fetch('/desk/decisions', {
      method: 'POST',
      keepalive: batch.length < 10,                        // one that is sent while the page goes away arrives
      headers: { 'content-type': 'application/json', 'x-desk': 'decisions' },
      body: JSON.stringify({ records: batch.map(([, record]) => record) }),
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
    batch.forEach(([key, record], i) => {                  // answers come in the order of the decisions
      this.waiting.delete(key);
      storage.drop(key);
      this.answered(record, results[i]);
    });
  }

  close() { this.closed = true; clearTimeout(this.timer); }
}
