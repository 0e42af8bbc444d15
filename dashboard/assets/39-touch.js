/* Fingers on a picture: one moves it sideways, two make it longer or shorter, a tap tells the values; up and down scrolls. */
(function () {
  "use strict";
  const LS = window.livesense;
  /** Fingers nearer to each other than this count as so far apart: a quarter of a millimetre would else be half of it. */
  const NEAREST_PX = 40;
  /** Fingers that rest so long have found their stretch, lifted or not. */
  const STILL_MS = 150;

  /**
   * `range()` gives the ends that are shown, null while nothing can be moved; `follow(from, to)` draws what is there to
   * others, and is called again only when it is done; `settle(from, to)` is told where the fingers came to rest. What the
   * fingers touched first stays below them.
   */
  LS.onTouch = function (plot, { range, follow, settle }) {
    const fingers = new Map();
    let grip = null, before = null, wanted = null, drawing = false, still = 0, tapped = false;

    // The library that draws would take every first touch for a drag, and with it the scrolling of the page.
    plot.addEventListener("touchstart", (event) => event.stopPropagation(), { capture: true, passive: true });

    /** Where the fingers are, as shares of the axis: their middle, and how far they are apart. */
    function hand() {
      const { _offset: left, _length: width } = plot._fullLayout.xaxis, begin = plot.getBoundingClientRect().left + left;
      const parts = [...fingers.values()].map((x) => (x - begin) / width), low = Math.min(...parts), high = Math.max(...parts);
      return { middle: (low + high) / 2, apart: Math.max(NEAREST_PX / width, high - low) };
    }

    /** Takes hold anew whenever a finger comes or goes: what is below them now stays there. */
    function hold() {
      const ends = fingers.size ? wanted || range() : null;
      if (!ends) return (grip = null);
      const length = ends[1] - ends[0], { middle, apart } = hand();
      grip = { length, apart, at: ends[0] + middle * length };
    }

    async function draw() {
      if (drawing) return;
      drawing = true;
      while (wanted) {
        const [from, to] = wanted;
        wanted = null;
        await follow(from, to);
        await new Promise(requestAnimationFrame);
      }
      drawing = false;
    }

    plot.addEventListener("pointerdown", (event) => {
      if (event.pointerType !== "touch" || event.target.closest(".modebar")) return;
      if (!fingers.size) before = range();
      tapped = !fingers.size;
      fingers.set(event.pointerId, event.clientX);
      hold();
    });
    plot.addEventListener("pointermove", (event) => {
      if (!grip || !fingers.has(event.pointerId)) return;
      tapped = false;
      if (!plot.hasPointerCapture(event.pointerId)) plot.setPointerCapture(event.pointerId);
      fingers.set(event.pointerId, event.clientX);
      const { middle, apart } = hand(), length = (grip.length * grip.apart) / apart, from = grip.at - middle * length;
      wanted = [from, from + length];
      clearTimeout(still);
      still = setTimeout(rest, STILL_MS);
      draw();
    });
    plot.addEventListener("pointerup", (event) => {
      if (!fingers.delete(event.pointerId)) return;
      hold();
      if (!fingers.size && still) rest();
    });
    // It went up or down after all: the browser scrolls the page, and the picture is what it was.
    plot.addEventListener("pointercancel", (event) => {
      if (!fingers.delete(event.pointerId) || fingers.size) return;
      grip = null;
      if (!still) return;
      wanted = before;
      rest();
    });
    // What a mouse tells by lying there, a tap tells; the mouse that browsers make of it would at once be a drag.
    plot.addEventListener("touchend", (event) => {
      const { target, changedTouches: [{ clientX, clientY }] } = event, { subplot } = target.dataset;
      if (!tapped || !subplot || !range()) return;
      event.preventDefault();
      window.Plotly.Fx.hover(plot, { target, clientX, clientY }, subplot);
    });

    async function rest() {
      clearTimeout(still);
      still = 0;
      await draw();
      const ends = range();
      if (ends && plot.isConnected) settle(...ends);
    }
  };
})();
