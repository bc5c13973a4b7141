"use strict";
// What is wider than the page can be scrolled by keyboard too, under the names of its section and its table.
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
    const names = [wide.closest("section")?.querySelector("h2"), wide.querySelector("caption, svg > title")];
    wide.setAttribute("aria-label", names.map((each) => each?.textContent ?? "").join(": "));
  }
}
window.addEventListener("resize", reachable);
document.addEventListener("toggle", reachable, true);
reachable();

// The sum behind the clearances belongs on paper too: unfolded to print, then folded again.
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
