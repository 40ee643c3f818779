// Files made elsewhere: hashed, sent piece by piece, and gone on with after a reload once the same
// file is chosen again.

import { showQuality, showZones } from "./record/answer.js";
import { Refused, Sender, ask } from "./record/send.js";
import { Sha256 } from "./record/sha256.js";

const by = (id) => document.getElementById(id);
const config = JSON.parse(by("list").dataset.config);
const SHELF = `vibecheck-unfinished-${config.sitting}`;
const BLOCK = 2 ** 20;
const open = new Set();

const read = () => { try { return JSON.parse(localStorage.getItem(SHELF)) || []; } catch { return []; } };
const write = (list) => { try { localStorage.setItem(SHELF, JSON.stringify(list)); } catch { /* private window */ } };
const remember = (one) => write([...read().filter((other) => other.key !== one.key), one]);
const forget = (key) => { write(read().filter((one) => one.key !== key)); showUnfinished(); };

function showUnfinished() {
  const list = read().filter((one) => ![...open].some((card) => card.key === one.key));
  const box = by("unfinished");
  box.hidden = list.length === 0;
  box.replaceChildren(...list.map(({ name, size, sent, key }) => {
    const line = document.createElement("p");
    line.textContent = `Not finished: ${name} (${Math.round((100 * sent) / size)} % sent). Choose the same file again to go on. `;
    const drop = Object.assign(document.createElement("button"), { type: "button", className: "quiet", textContent: `Forget ${name}` });
    drop.addEventListener("click", () => forget(key));
    line.append(drop);
    return line;
  }));
}

async function hashOf(file, onPart) {
  const hash = new Sha256();
  for (let at = 0; at < file.size; at += BLOCK) {
    hash.update(new Uint8Array(await file.slice(at, at + BLOCK).arrayBuffer()));
    onPart(Math.min(1, (at + BLOCK) / file.size));
  }
  return hash.hex();
}

/** A key that the same file gets again: of its name, size and content, in this bench check. */
function keyOf(file, sha256) {
  const name = new TextEncoder().encode(`${config.sitting}|${file.name}|${file.size}|${sha256}`);
  return `file-${new Sha256().update(name).hex().slice(0, 40)}`;
}

class Card {
  constructor(file, number) {
    this.file = file;
    this.box = by("card").content.firstElementChild.cloneNode(true);
    const find = (name) => this.box.querySelector(name);
    this.find = find;
    find("h2").textContent = file.name;
    this.box.querySelectorAll(".field").forEach((field, k) => {
      const input = field.querySelector("select, input");
      input.id = `field-${number}-${k}`;
      field.querySelector("label").htmlFor = input.id;
    });
    find("progress").setAttribute("aria-label", `${file.name}: sent`);
    const table = /\.(csv|tsv|txt|parquet|npz|npy|mat|uff|unv)$/i.test(file.name);
    find(".table").hidden = !table;
    if (table) find(".sensor").value = "accelerometer";
    find(".send").addEventListener("click", () => this.send());
    find(".drop").addEventListener("click", () => { this.sender?.stop(); this.leave(); });
    find(".keep").addEventListener("click", () => this.keep());
    find(".away").addEventListener("click", () => this.away());
    by("list").append(this.box);
    open.add(this);
    this.refuseEarly();
  }

  refuseEarly() {
    const suffix = `.${this.file.name.split(".").pop().toLowerCase()}`;
    if (!config.suffixes.includes(suffix)) this.refuse("This is not a kind of file that can be read.", "");
    else if (this.file.size > config.largest) this.refuse(`The file is too big: ${Math.round(this.file.size / 2 ** 20)} MB.`, "Cut it to the spin-up, or save it as FLAC or M4A.");
    else if (this.file.size === 0) this.refuse("The file is empty.", "");
  }

  refuse(message, advice) {
    this.say(`${message} ${advice}`.trim());
    this.find(".send").hidden = true;
    this.find("progress").hidden = true;
  }

  say(words) { this.find(".news").textContent = words; }

  leave() { open.delete(this); this.box.remove(); showUnfinished(); }

  reading() {
    const given = {};
    const [unit, time, rate, columns] = [".unit", ".time-unit", ".rate", ".columns"].map((name) => this.find(name).value.trim());
    if (unit) given.unit = unit;
    if (time) given.time_unit = time;
    if (rate) given.sample_rate_hz = Number(rate.replace(",", "."));
    if (columns) {
      given.columns = Object.fromEntries(columns.split(",").map((pair) => pair.split("=").map((part) => part.trim())).filter((pair) => pair.length === 2));
    }
    return given;
  }

  async send() {
    const { file, find } = this;
    const bar = find("progress");
    const button = find(".send");
    button.disabled = true;
    bar.hidden = false;
    try {
      this.say("Reading the file.");
      const sha256 = await hashOf(file, (part) => { bar.value = part; });
      this.key = keyOf(file, sha256);
      const shelf = { key: this.key, name: file.name, size: file.size, sent: 0 };
      remember(shelf);
      showUnfinished();
      bar.value = 0;
      this.say("Sending.");
      const wish = {
        key: this.key, sitting: config.sitting, spot: find(".spot").value, sensor: find(".sensor").value,
        file_name: file.name, form: "file", size: file.size, reading: this.reading(),
      };
      this.sender = new Sender({
        wish, have: () => file.size, ended: () => true, sha256: () => sha256,
        bytes: (from, to) => file.slice(from, to),
      }, ({ sent, waiting, message }) => {
        if (waiting) this.say(`${message || "The computer cannot be reached."} It goes on by itself.`);
        else if (sent !== undefined) {
          bar.value = sent / file.size;
          this.say(sent < file.size ? `Sending: ${Math.round((100 * sent) / file.size)} %.` : "All was sent. It is being read.");
          remember({ ...shelf, sent });
        }
      });
      const { id, phase } = await this.sender.run();
      this.id = id;
      if (phase === "kept") { this.kept(); return; }
      this.say("Listening to it.");
      const answer = await this.sender.insist(() => ask("POST", `/uploads/${id}/look`));
      find("details.table").hidden = true;
      button.hidden = find(".drop").hidden = true;
      bar.hidden = true;
      this.say(answer.quality.words);
      showQuality(find(".quality"), answer);
      showZones(find(".answer"), answer);
      this.box.querySelectorAll("#findings, #zones").forEach((one) => one.removeAttribute("id"));
      const poor = answer.quality.verdict === "unusable";
      find(".keep").textContent = poor ? "Keep it all the same" : "Keep";
      find(".keep").classList.toggle("primary", !poor);
      find(".away").classList.toggle("primary", poor);
      find(".decide").hidden = false;
      find(poor ? ".away" : ".keep").focus({ preventScroll: true });
    } catch (error) {
      this.failed(error);
      button.disabled = false;
    }
  }

  failed(error) {
    if (error.name === "AbortError") return;
    const known = error instanceof Refused;
    this.find("progress").hidden = true;
    this.say(known ? `${error.message} ${error.advice || ""}`.trim() : "The file cannot be read any more. Choose it again.");
    if (known && [400, 413, 415, 422].includes(error.status)) forget(this.key);
  }

  async keep() {
    this.find(".decide").hidden = true;
    this.say("Keeping it.");
    try {
      await this.sender.insist(() => ask("POST", `/uploads/${this.id}/keep`));
      this.kept();
    } catch (error) {
      this.failed(error);
      this.find(".decide").hidden = false;
    }
  }

  kept() {
    forget(this.key);
    for (const name of [".send", ".drop", "progress", ".decide"]) this.find(name).hidden = true;
    this.say("Kept in the bench check. The hand check is due all the same.");
    by("onward").hidden = false;
  }

  async away() {
    await ask("DELETE", `/uploads/${this.id}`).catch(() => {});
    forget(this.key);
    this.leave();
  }
}

let number = 0;
for (const id of ["files", "fresh"]) {
  const take = () => {
    if (by(id).files.length === 0) return;
    for (const file of by(id).files) new Card(file, (number += 1));
    by("state").textContent = `${open.size} file${open.size === 1 ? "" : "s"} chosen.`;
    by(id).value = "";
  };
  by(id).addEventListener("change", take);
  take(); // a quick hand chose before this script was there
}
window.addEventListener("online", () => open.forEach((card) => card.sender?.poke()));
showUnfinished();
