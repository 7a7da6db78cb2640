// On a phone the menu lies over the page, and would stay there: it goes as soon as a page is chosen in it.
const NARROW_PX = 768;

export default function () {
  if (window.menuGoes) return;
  window.menuGoes = true;
  document.addEventListener('click', (e) => {
    if (innerWidth > NARROW_PX || !e.target.closest?.('[data-testid=stSidebarNavLink]')) return;
    document.querySelector('[data-testid=stSidebarCollapseButton] button')?.click();
  });
}
