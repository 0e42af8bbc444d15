/* Zooming by wheel or by two fingers on a pad, about the place that is pointed at. */
(function () {
  "use strict";
  const LS = window.livesense;
  /** One notch changes the length by two thirds or half as much again; two fingers tell small steps. */
  const GROWS_PX = 120, MOST_PX = 50, LINE_PX = 17;

  /** Which share of a graph's x axis lies left of a place in the window, 0 to 1. */
  LS.partOfAxis = function (plot, x) {
    const { _offset: left, _length: width } = plot._fullLayout.xaxis;
    return Math.min(1, Math.max(0, (x - plot.getBoundingClientRect().left - left) / width));
  };

  /**
   * With Ctrl held only, as browsers tell two fingers too: a wheel alone goes on scrolling the page. `zoom(by, event)` acts
   * once for each picture of the screen, however fast the wheel turns.
   */
  LS.onWheel = function (box, zoom) {
    let turned = 0, last = null;
    box.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && !event.metaKey) return;
      event.preventDefault();
      const pixels = event.deltaY * (event.deltaMode ? LINE_PX : 1);
      turned += Math.max(-MOST_PX, Math.min(MOST_PX, pixels));
      if (last === null) requestAnimationFrame(() => {
        const by = Math.exp(turned / GROWS_PX), at = last;
        turned = 0;
        last = null;
        zoom(by, at);
      });
      last = event;
    }, { passive: false });
  };
})();
