/*
 * Tables and figures wider than the screen scroll sideways: while they do, by keyboard too.
 */
"use strict";
(() => {
  const told = new ResizeObserver((entries) => {
    for (const { target } of entries) {
      const scrolls = target.scrollWidth > target.clientWidth + 1;
      target.classList.toggle("scrolls", scrolls);
      const wanted = { tabindex: "0", role: "group", "aria-label": target.dataset.scrolls };
      for (const [name, value] of Object.entries(wanted)) {
        if (scrolls) target.setAttribute(name, value);
        else target.removeAttribute(name);
      }
    }
  });
  for (const box of document.querySelectorAll("[data-scrolls]")) told.observe(box);
})();
