/* Runs in the head, before anything is painted: the scheme that somebody chose by hand, or else the system's. */
(function () {
  "use strict";
  let chosen = null;
  try {
    // Where the page's components keep what the button in the corner chose.
    chosen = window.localStorage.getItem("mantine-color-scheme-value");
  } catch {
    // A browser that keeps nothing for pages: the system's scheme it is.
  }
  const dark = chosen === "dark" || (chosen !== "light" && window.matchMedia("(prefers-color-scheme: dark)").matches);
  document.documentElement.setAttribute("data-mantine-color-scheme", dark ? "dark" : "light");
})();
