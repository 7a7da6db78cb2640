// What this browser knows: how the desks are set, and the name of whoever works at it.
const storage = {
  get(key) { try { return localStorage.getItem(key); } catch { return null; } },
  set(key, value) { try { localStorage.setItem(key, value); } catch { /* private window: memory only */ } },
  json(key, fallback) { try { return JSON.parse(storage.get(key)) ?? fallback; } catch { return fallback; } },
};

// The name that this browser knows. A cookie tells it to whatever page is opened next, and `name.js` to the one that is open: a form
// is then drawn with it at once. A press on a page that is drawn a second time would be lost.
const known = () => ({ name: storage.get('desk:by') ?? '', mark: storage.get('desk:said') ?? '' });
const tell = () => { document.cookie = `desk-name=${encodeURIComponent(JSON.stringify(known()))}; path=/; max-age=31536000; samesite=strict`; };
function named(name) {
  storage.set('desk:by', name);
  tell();
  dispatchEvent(new Event('desk-named'));
}

// A name given in a form of the page is kept in the browser, once: it may be changed here later.
function heard(said) {
  if (!said?.mark || storage.get('desk:said') === said.mark) return;
  storage.set('desk:said', said.mark);
  named(said.name);
}
