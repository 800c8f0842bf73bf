"use strict";
(() => {
  const root = document.documentElement;
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const plots = [...document.querySelectorAll(".plot")];

  /* What a link leads to is opened and gets the keyboard's focus. */
  const reveal = () => {
    const name = decodeURIComponent(location.hash.slice(1));
    const target = name && document.getElementById(name);
    if (!target) return;
    target.querySelectorAll("details.evidence").forEach((each) => { each.open = true; });
    if (target.hasAttribute("tabindex")) target.focus({ preventScroll: true });
  };
  addEventListener("hashchange", reveal);
  reveal();

  /* Paper shows everything. */
  let closed = [];
  addEventListener("beforeprint", () => {
    closed = [...document.querySelectorAll("details:not([open])")];
    closed.forEach((each) => { each.open = true; });
  });
  addEventListener("afterprint", () => closed.forEach((each) => { each.open = false; }));

  if (!plots.length || !window.Plotly) { root.dataset.drawn = "0"; return; }
  const ink = () => getComputedStyle(root).getPropertyValue("--ink").trim();
  const shown = [...plots];
  const recolour = (colour) => shown.forEach((each) => {
    if (each.data) Plotly.relayout(each, { "font.color": colour });
  });
  dark.addEventListener("change", () => recolour(ink()));
  addEventListener("beforeprint", () => recolour("#000"));
  addEventListener("afterprint", () => recolour(ink()));
  let drawn = 0;
  const draw = (place) => {
    const figure = JSON.parse(document.getElementById(place.dataset.figure).textContent);
    figure.layout.font.color = ink();
    if (matchMedia("(pointer: coarse)").matches) {  /* a finger scrolls the page; the picture's buttons zoom */
      figure.layout.dragmode = false;
      figure.config.displayModeBar = true;
    }
    return Plotly.newPlot(place, figure.data, figure.layout, figure.config).then(() => {
      place.querySelectorAll("svg.main-svg").forEach((each) => each.setAttribute("aria-hidden", "true"));
      drawn += 1;
      root.dataset.drawn = String(drawn);
    });
  };
  const later = window.requestIdleCallback || ((work) => setTimeout(work, 1));
  const next = () => { const place = plots.shift(); if (place) later(() => draw(place).then(next)); };
  addEventListener("load", next);
})();
