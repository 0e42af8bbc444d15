/* Asking a run's recorder for a zero, and what came of it. */
(function () {
  "use strict";
  const LS = window.livesense;
  const LOOKS = 40, EVERY_MS = 250;

  const say = (text) => LS.write(document.getElementById("zero-answer"), text);

  async function take(button, number) {
    if (!document.getElementById("zero-sure").checked) return say("Not asked: tick first that the drive is de-energised and at rest.");
    button.disabled = true;
    say("Asked; the last two seconds are looked at …");
    try {
      const asked = await fetch(`/api/runs/${number}/zero`, { method: "POST" });
      if (!asked.ok) return say(await asked.text());
      const { request } = await asked.json();
      for (let look = 0; look < LOOKS; look += 1) {
        await new Promise((resolve) => setTimeout(resolve, EVERY_MS));
        const told = await fetch(`/api/runs/${number}/zero/${request}`);
        if (!told.ok) return say(await told.text());
        const { answer } = await told.json();
        if (answer !== null) return say(answer);
      }
      say("The recorder has not answered: it may have ended.");
    } catch (error) {
      say("The page does not answer: is `livesense serve` still running?");
    } finally {
      button.disabled = false;
    }
  }

  // The screen comes and goes; the document stays.
  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest("#zero-take");
    const screen = button && button.closest("[data-run]");
    if (screen) take(button, screen.dataset.run);
  });
})();
