// Shared by the desks: words, elements, and the name of who reviews.
const WORDS = {
  tally: 'Count the strokes and type the number.',
  number: 'Type the number.',
  date: 'Type eight digits: year, month, day.',
  time: 'Type four digits: hours, minutes.',
  decimal: 'Type the number with its point, such as 12.5.',
  code: 'Type the letters of the code.',
  tick: 'Marked is yes, empty is no.',
  text: 'Type what is written.',
};
const PICKED_BY_DIGIT = new Set(['code', 'tick', 'text']);
const keyOf = (item) => `${item.page}|${item.cell}`;
const make = (tag, text = '', attributes = {}) => {
  const node = document.createElement(tag);
  node.textContent = text;
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  return node;
};

const spaced = (n) => n.toLocaleString('en').replaceAll(',', '\u202f');        // 9 570, as the server writes it
const TYPED_BY = { code: /^\p{L}$/u, text: /^[\p{L}\p{N}]$/u, tick: /$^/ };
const starts = (kind, key) => (TYPED_BY[kind] ?? /^[0-9.,]$/).test(key);   // whether a key begins a typed value
const elsewhere = (target, root) => !root.contains(target) && target.closest?.('input, textarea, select, [contenteditable], [role=dialog], [role=listbox], [role=combobox]');

class Who {                                                // asks once for the reviewer's name and remembers it in this browser
  // `proven`: who is logged in, where people log in. `said`: a name from the form before this work.
  constructor(root, changed, proven = '', said = null) {
    heard(said);
    this.name = proven || storage.get('desk:by') || said?.name || '';
    this.changed = changed;
    const field = make('input', '', { id: 'name', autocomplete: 'name', maxlength: '60', required: '' });
    this.form = make('form', '', { class: 'ask' });
    this.form.append(make('h2', 'Who is reviewing?'), make('label', 'Your name', { for: 'name' }), field,
      make('p', 'It is kept beside every value you enter, and only in this survey\u2019s own database.'), make('button', 'Start', { class: 'go', type: 'submit' }));
    this.form.addEventListener('submit', (e) => {
      e.preventDefault();
      this.name = field.value.trim();
      named(this.name);
      this.form.hidden = Boolean(this.name);
      changed();
    });
    this.form.hidden = Boolean(this.name);
    root.prepend(this.form);
  }

  again() {                                                // somebody else sits down here
    const field = this.form.querySelector('input');
    field.value = this.name;
    this.name = '';
    this.form.hidden = false;
    this.changed();
    field.focus();
  }
}

// What stands above each desk when the way to the server is lost, or it refused something.
function connection(outbox, offline) {
  const { size, stopped } = outbox;
  const others = outbox.others ? `${outbox.others} ${outbox.others === 1 ? 'decision' : 'decisions'} of ${outbox.whose} wait in this browser until ${outbox.whose} logs in here. ` : '';
  if (!(stopped || outbox.lost || offline)) return others;
  const kept = `${size} ${size === 1 ? 'decision is' : 'decisions are'} kept in this browser`;
  if (outbox.loggedOut) return `You are logged out. ${kept}; log in again in another tab and they are stored.`;
  if (outbox.another) return `${outbox.another.here} is logged in in this browser now. ${kept} until ${outbox.another.by} logs in again; then they are stored.`;
  if (!size && !stopped) return `${others}The connection to the server is lost. It is tried again by itself.`;
  return stopped ? `${stopped} ${kept}. Reload the page to try again.`
    : `The connection to the server is lost. ${kept} and will be stored when it is back; you can go on.`;
}

function troubles(desk) {                                  // a lost connection and what was refused, above the work
  const [lost, list] = [desk.$('.lost'), desk.$('.notices')];
  lost.textContent = connection(desk.outbox, desk.offline);
  lost.hidden = !lost.textContent;
  list.hidden = !desk.notices?.length;
  list.replaceChildren(...(desk.notices ?? []).slice(-4).map((text) => make('li', text)));
}

// The page's own "connection error" window would cover the cell and take the keys; the desks say it themselves.
function withoutOwnWindow(root, seen) {
  const watch = new MutationObserver(() => {
    const own = [...document.querySelectorAll('[data-testid=stDialog]')].find((d) => d.innerText.includes('Connection error'));
    if (!own) return;
    own.querySelector('button[aria-label=Close]')?.click();
    root.focus({ preventScroll: true });
    seen();
  });
  watch.observe(document.body, { childList: true });
  return watch;
}
