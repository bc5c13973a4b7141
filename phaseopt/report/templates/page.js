"use strict";
// What is wider than the page can be scrolled by keyboard too, under its table's name.
function reachable() {
  for (const wide of document.querySelectorAll(".wide")) {
    const scrolls = wide.scrollWidth > wide.clientWidth + 1;
    if (!scrolls) {
      wide.removeAttribute("tabindex");
      wide.removeAttribute("role");
      wide.removeAttribute("aria-label");
      continue;
    }
    wide.tabIndex = 0;
    wide.setAttribute("role", "region");
    wide.setAttribute("aria-label", wide.querySelector("caption").textContent);
  }
}
window.addEventListener("resize", reachable);
document.addEventListener("toggle", reachable, true);
reachable();

// The sum behind the gaps belongs on paper too: unfolded to print, then folded again.
const unfolded = [];
window.addEventListener("beforeprint", () => {
  for (const folded of document.querySelectorAll("details.print:not([open])")) {
    folded.open = true;
    unfolded.push(folded);
  }
});
window.addEventListener("afterprint", () => {
  while (unfolded.length) unfolded.pop().open = false;
});
