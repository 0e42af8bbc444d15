/* Pictures of a run: listed, made smaller and added, removed after a question. */
(function () {
  "use strict";
  const LS = window.livesense;
  const LONGEST_SIDE = 1600;
  const QUALITIES = [0.85, 0.7, 0.5];

  LS.RunPictures = class {
    constructor(run) {
      this.run = run;
      this.box = document.getElementById("run-pictures");
      if (!this.box) return;
      const input = LS.el("input", "aloud");
      input.type = "file";
      input.id = "picture-file";
      input.accept = "image/png,image/jpeg";
      input.addEventListener("change", () => this.add(input));
      document.getElementById("picture-place").replaceChildren(input);
      this.list();
    }

    say(text) { LS.tell(document.getElementById("picture-said"), text); }

    get path() { return `/api/runs/${this.run.number}/pictures`; }

    async list() {
      try {
        const told = await LS.ask(this.path);
        this.largest = told.largest_bytes;
        this.box.replaceChildren(...told.pictures.map((row) => this.figure(row)));
      } catch (error) {
        this.say(LS.why(error) || "");
      }
    }

    figure(row) {
      const figure = LS.el("figure"), image = LS.el("img"), words = LS.el("figcaption", "", `${row.name || "no name"}, ${LS.stamp(row.wall_s * 1e3)}`);
      image.src = `${this.path}/${Math.trunc(row.number)}`;
      image.alt = row.name || `Picture ${row.number} of this run`;
      image.decoding = "async";
      const remove = LS.button("Remove", () => this.remove(row));
      remove.setAttribute("aria-label", `Remove ${row.name || "picture " + row.number}`);
      figure.append(image, words, remove);
      return figure;
    }

    remove(row) {
      const acts = LS.el("div", "over-row");
      const leave = LS.button("Leave it", () => dialog.close());
      acts.append(leave, LS.button("Remove it", async () => {
        try {
          await LS.ask(`${this.path}/${Math.trunc(row.number)}/remove`, {});
          dialog.close();
          this.say("Removed.");
          this.list();
        } catch (error) {
          dialog.close();
          this.say(LS.why(error) || "");
        }
      }, true));
      const dialog = LS.dialog("Remove this picture?", LS.el("p", "", row.name || `Picture ${row.number}`), acts);
      leave.focus();
    }

    async add(input) {
      const [file] = input.files;
      input.value = "";
      if (!file) return;
      this.say("Adding it.");
      try {
        const blob = await smaller(file, this.largest || 1 << 20);
        const answer = await fetch(`${this.path}?name=${encodeURIComponent(file.name.slice(0, 120))}`, { method: "POST", headers: { "Content-Type": blob.type }, body: blob });
        if (!answer.ok) throw new Error(await answer.text());
        this.say("Added.");
        await this.list();
      } catch (error) {
        this.say(error.name === "InvalidStateError" ? "That is no picture that this browser can read: a PNG or a JPEG can be added." : LS.why(error) || "");
      }
    }
  };

  /** Drawn anew as a JPEG: small, and without what a camera wrote into it. */
  async function smaller(file, largest) {
    const picture = await createImageBitmap(file), scale = Math.min(1, LONGEST_SIDE / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    const context = canvas.getContext("2d");
    context.fillStyle = "#ffffff";
    context.fillRect(0, 0, canvas.width, canvas.height);
    context.drawImage(picture, 0, 0, canvas.width, canvas.height);
    picture.close();
    let blob = null;
    for (const quality of QUALITIES) {
      blob = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", quality));
      if (blob.size <= largest) break;
    }
    return blob;
  }
})();
