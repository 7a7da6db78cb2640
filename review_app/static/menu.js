// On a phone the menu lies over the page, and would stay there: it goes as soon as a page is chosen in it, also where this came
// later than the choice, as on a slow network.
const NARROW_PX = 768;
const close = () => innerWidth <= NARROW_PX && document.querySelector('[data-testid=stSidebarCollapseButton] button')?.click();

export default function () {
  if (window.menuGoes) return;
  window.menuGoes = true;
  const [loaded] = performance.getEntriesByType('navigation');
  if (loaded && new URL(loaded.name).pathname !== location.pathname) close();
  document.addEventListener('click', (e) => { if (e.target.closest?.('[data-testid=stSidebarNavLink]')) close(); });
}
