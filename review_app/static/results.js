// The report in its frame: as tall as it is, and each row and each word beside a bar leads to what is behind it.
export default function ({ parentElement, data }) {
  const frame = parentElement.querySelector('iframe');
  const busy = (on) => {
    frame.parentElement.setAttribute('aria-busy', on);
    parentElement.querySelector('p').hidden = !on;
  };
  if (frame.getAttribute('src') !== data.src) {
    busy(true);
    frame.src = data.src;
  }
  frame.title = data.title;
  const fit = () => {
    const body = frame.contentDocument?.body;
    if (body) frame.style.height = `${body.scrollHeight + 4}px`;
  };
  const traced = (page, pack) => {                         // rows of tables and words beside bars lead to what is behind them
    let title = '';
    for (const at of page.getElementById(`survey-${pack}`)?.querySelectorAll('h3, th[scope=row], svg text') ?? []) {
      if (at.matches('h3')) { title = at.textContent; continue; }
      const known = data.figures.names[data.figures.packs[pack]].filter(([, , , label]) => label === at.textContent);
      const one = known.find((k) => title.startsWith(k[1])) ?? (known.length === 1 ? known[0] : null);
      if (!one) continue;
      const link = page.createElementNS(at.namespaceURI, 'a');
      link.setAttribute('href', new URL(`trace?${new URLSearchParams({ pack, sheet: one[0], row: one[2] })}`, location.href));
      link.setAttribute('target', '_blank');
      link.setAttribute('rel', 'noopener noreferrer');
      link.style.textDecoration = 'underline';
      if (at.matches('th')) { link.style.color = 'inherit'; link.append(...at.childNodes); at.append(link); } else { at.replaceWith(link); link.append(at); }
    }
  };
  frame.onload = () => {
    busy(false);
    for (const link of frame.contentDocument.querySelectorAll('a[href^="http"]')) {
      link.target = '_blank';
      link.rel = 'noopener noreferrer';
    }
    for (const pack of Object.keys(data.figures.packs)) traced(frame.contentDocument, pack);
    frame.seen?.disconnect();
    frame.seen = new ResizeObserver(fit);
    frame.seen.observe(frame.contentDocument.body);
  };
  return () => frame.seen?.disconnect();
}
