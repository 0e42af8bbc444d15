/* The line to the server: one stream where there is a place for it, single answers otherwise. */
(function () {
  "use strict";
  const LS = window.livesense;
  const PLACES = 4;
  /** A server that was started again refuses this window's key: looked at again so seldom, in ms. */
  const REFUSED_REST = 15000;
  /** What one tick of the clock adds at most: a browser that was too busy to look has not been kept waiting. */
  const LONGEST_TICK = 500;

  class Refused extends Error {}

  LS.Line = class {
    /** @param query gives the query of each request; @param take gets what came. */
    constructor(query, take) {
      this.query = query;
      this.take = take;
      /** @type {"trying" | "open" | "gone" | "refused"} */
      this.state = "trying";
      /** Milliseconds since anything was heard, and since facts were; null before the first. */
      this.silent = 0;
      this.factsAge = null;
      this.tickedAt = performance.now();
    }

    disconnect() {
      if (this.leave) this.leave.abort();
      this.leave = null;
    }

    connect() {
      this.disconnect();
      this.silent = 0;
      if (this.factsAge !== null) this.factsAge = 0;
      const leave = (this.leave = new AbortController());
      this.keepOn(leave.signal);
    }

    tick() {
      const now = performance.now(), step = Math.min(LONGEST_TICK, now - this.tickedAt);
      this.tickedAt = now;
      this.silent += step;
      if (this.factsAge !== null) this.factsAge += step;
    }

    /** Stays connected until told to leave, with a growing rest between tries. */
    async keepOn(signal) {
      let rest = 250;
      const heard = () => (rest = 250);
      while (!signal.aborted) {
        try {
          await withPlace(signal, (place) => (place ? this.follow(signal, heard) : this.poll(signal, heard)));
        } catch (error) {
          if (signal.aborted) return;
          this.state = error instanceof Refused ? "refused" : "gone";
        }
        await pause(this.state === "refused" ? REFUSED_REST : rest, signal);
        rest = Math.min(4000, rest * 2);
      }
    }

    async ask(path, signal) {
      const answer = await fetch(path + "?" + this.query(), { signal, cache: "no-store" });
      if (answer.status === 401) throw new Refused();
      if (!answer.ok && answer.status !== 503) throw new Error(String(answer.status));
      return answer;
    }

    async follow(signal, heard) {
      const answer = await this.ask("/live/stream", signal);
      if (answer.status === 503) return this.poll(signal, heard);
      const reader = answer.body.getReader(), messages = new LS.Messages();
      for (;;) {
        const { done, value } = await reader.read();
        if (done) return;
        this.hear(messages.feed(value), heard);
      }
    }

    /** Single answers twice a second, for windows beyond those a browser has connections for. */
    async poll(signal, heard) {
      for (let turn = 0; turn < 20 && !signal.aborted; turn += 1) {
        const answer = await this.ask("/live/now", signal);
        if (!answer.ok) throw new Error(String(answer.status));
        this.hear(new LS.Messages().feed(new Uint8Array(await answer.arrayBuffer())), heard);
        await pause(500, signal);
      }
    }

    hear(found, heard) {
      heard();
      this.state = "open";
      this.silent = 0;
      if (found.facts) this.factsAge = 0;
      this.take(found);
    }
  };

  function pause(ms, signal) {
    return new Promise((resolve) => {
      // Let go of the signal either way: one signal lives as long as a window, with two rests a second.
      const over = () => {
        clearTimeout(timer);
        signal.removeEventListener("abort", over);
        resolve();
      };
      const timer = setTimeout(over, ms);
      signal.addEventListener("abort", over);
    });
  }

  /** A browser opens six connections to a host; streams of all its windows together take at most four. */
  async function withPlace(signal, use) {
    if (!navigator.locks) return use(true);
    for (let place = 0; place < PLACES; place += 1) {
      let had = false;
      await navigator.locks.request(`livesense-stream-${place}`, { ifAvailable: true }, async (lock) => {
        if (!lock || signal.aborted) return;
        had = true;
        await use(true);
      });
      if (had || signal.aborted) return;
    }
    return use(false);
  }
})();
