// On a phone the menu lies over the page, and would stay there: it goes when another page has been chosen.
const NARROW_PX = 768;

export default function () {
  if (innerWidth > NARROW_PX) return;
  document.querySelector('[data-testid=stSidebarCollapseButton] button')?.click();
}
