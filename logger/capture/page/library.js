// The screens of stored recordings: list, and one of them.

import { gpxOf, handOver, tableOf } from "./files.js";
import { follow } from "./report.js";
import { showVerdict, verdictOf } from "./review.js";
import { send, SendError } from "./send.js";
import { token } from "./settings.js";
import { $, ask, duration, make, setText, show, size, when } from "./view.js";

export class Library {
  #entry = null;
  #files = null;
  #busy = false;

  constructor(store, settings) {
    this.store = store;
    this.settings = settings;
    $("back").addEventListener("click", () => this.list());
    $("send").addEventListener("click", () => this.#send());
    $("save-csv").addEventListener("click", () => this.#save("table"));
    $("save-gpx").addEventListener("click", () => this.#save("track"));
    $("report-again").addEventListener("click", () => this.#follow("POST"));
    $("rename").addEventListener("click", () => this.#rename());
    $("delete").addEventListener("click", () => this.#delete());
  }

  async count() {
    const number = (await this.store.list()).length;
    setText($("count"), number ? `(${number})` : "");
  }

  async list() {
    const entries = await this.store.list();
    setText($("count"), entries.length ? `(${entries.length})` : "");
    const unsent = entries.filter((entry) => !entry.sent_ms && !entry.saved_ms).length;
    setText($("list-note"), entries.length
      ? (unsent ? `${unsent} not yet sent or saved. A browser may clear its storage after some days: do it today.` : "All of them are sent or saved. Delete what you do not need here.")
      : "None yet. They appear here once you have recorded.");
    $("recordings").replaceChildren(...entries.map((entry) => this.#card(entry)));
    this.#entry = this.#files = null;
    show("list");
  }

  #card(entry) {
    const open = make("button", { type: "button", className: "card" },
      make("b", { textContent: entry.name }),
      make("span", { textContent: [worth(entry), facts(entry)].filter(Boolean).join(", ") }),
      make("span", { className: "state", textContent: state(entry) }));
    open.addEventListener("click", () => this.open(entry.id));
    return make("li", {}, open);
  }

  /** Show one recording; its files are made ready, since a share sheet wants them at the tap. */
  async open(id) {
    const entry = await this.store.get(id);
    if (!entry) {
      await this.list();
      return;
    }
    this.#entry = entry;
    this.#files = null;
    setText($("one-title"), entry.name);
    const { mass_kg, note, vehicle, state: made } = entry.facts;
    setText($("one-facts"), `${facts(entry)}.${entry.named ? ` Started ${when(entry.started_ms)}.` : ""}`);
    setText($("one-note"), [vehicle, made, mass_kg ? `${Math.round(mass_kg)} kg` : "no mass given", note].filter(Boolean).join(", "));
    setText($("one-state"), "Making the files ready …");
    setText($("one-alarm"), "");
    $("sending").hidden = true;
    $("verdict").hidden = $("report").hidden = true;
    if (entry.sent_ms) this.#follow();
    this.#lead();
    this.#able(false);
    show("one");
    try {
      await this.#prepare();
      setText($("one-state"), state(entry));
    } catch {
      setText($("one-state"), "");
      setText($("one-alarm"), "The phone is short of memory. Close other pages and open this recording again.");
    }
    this.#able(true);
    await this.count();
  }

  async #prepare() {
    const entry = this.#entry;
    const { file, lines } = await tableOf(this.store, entry);
    if (this.#entry !== entry) return;
    this.#files = { table: file, track: gpxOf(entry, lines) };
    const { unit } = this.settings;
    const kept = showVerdict(entry, verdictOf(entry, lines, unit), await this.store.list(), unit);
    if (this.#entry !== entry) return;
    $("verdict").hidden = false;
    if (JSON.stringify(kept) !== JSON.stringify(entry.verdict)) await this.#note(entry, { verdict: kept });
  }

  #follow(method) {
    const entry = this.#entry;
    follow(() => this.#entry === entry, method);
  }

  /** The one coloured button is what remains to be done. */
  #lead() {
    const { sent_ms, saved_ms } = this.#entry;
    const first = sent_ms ? "" : token() ? "send" : saved_ms ? "" : "save-csv";
    $("send").hidden = !token();
    setText($("send"), sent_ms ? "Send again" : "Send to the computer");
    for (const id of ["send", "save-csv"]) $(id).className = id === first ? "big go" : "big soft";
  }

  #able(able) {
    this.#busy = !able;
    for (const id of ["send", "save-csv", "save-gpx", "rename", "delete"]) $(id).disabled = !able;
    if (able) {
      $("send").disabled = $("save-csv").disabled = !this.#files;
      $("save-gpx").disabled = !this.#files?.track;
    }
  }

  async #save(which) {
    const entry = this.#entry;
    const file = this.#files?.[which];
    if (!file) return;
    const how = await handOver(file);
    if (how === "left") return;
    const words = how === "shared" ? "Handed over" : `In the phone's downloads as ${file.name}`;
    if (which === "table") await this.#note(entry, { saved_ms: Date.now() });
    if (this.#entry === entry) setText($("one-state"), words);
  }

  async #send() {
    const entry = this.#entry;
    if (this.#busy || !this.#files) return;
    this.#able(false);
    setText($("one-alarm"), "");
    setText($("one-state"), "Sending …");
    $("sending").hidden = false;
    $("progress").value = 0;
    const here = () => this.#entry === entry;
    try {
      await send(this.#files.table, entry.named ? entry.name : "", token(), (have, all, words) => {
        if (!here()) return;
        $("progress").value = have / all;
        setText($("one-state"), words || `Sending: ${size(have)} of ${size(all)}`);
      });
      await this.#note(entry, { sent_ms: Date.now() });
      if (here()) {
        setText($("one-state"), "The computer has all of it. You may delete it here.");
        $("sending").hidden = true;
        this.#follow();
      }
    } catch (error) {
      const words = error instanceof SendError ? error.message : "Sending failed. Save the table, and copy it to the computer.";
      if (here()) {
        setText($("one-state"), "");
        setText($("one-alarm"), words);
      }
    }
    if (here()) this.#able(true);
  }

  async #note(entry, fields) {
    Object.assign(entry, fields);
    try {
      await this.store.change(entry.id, fields);
    } catch {
      // full: it will be asked for again
    }
    if (this.#entry === entry) this.#lead();
  }

  async #rename() {
    const entry = this.#entry;
    const name = await ask({ title: "A new name", yes: "Rename", field: entry.name });
    if (!name || name === entry.name) return;
    await this.#note(entry, { name, named: true });
    await this.open(entry.id);
  }

  async #delete() {
    const entry = this.#entry;
    const kept = entry.sent_ms ? "The computer has it." : entry.saved_ms ? "It was saved to a file." : "It would be lost: it was neither sent nor saved.";
    const sure = await ask({ title: `Delete “${entry.name}”?`, text: kept, yes: "Delete", no: "Keep", danger: true });
    if (!sure) return;
    await this.store.remove(entry.id);
    await this.list();
  }
}

function facts(entry) {
  const motion = entry.samples ? "" : ", without motion";
  return `${duration(entry.last_ms - entry.started_ms)} long, ${size(entry.bytes)}, ${entry.fixes} fixes${motion}`;
}

function worth({ verdict }) {
  if (!verdict) return "";
  const words = { good: "good run", usable: "usable run", repeat: "spoilt run" };
  return verdict.runs.map((run) => words[run.worth]).join(", ") || "no run in it";
}

function state(entry) {
  const parts = [];
  if (!entry.ended) parts.push("Cut off, but whole up to then");
  if (entry.sent_ms) parts.push(`sent to the computer ${when(entry.sent_ms)}`);
  else if (entry.saved_ms) parts.push(`saved ${when(entry.saved_ms)}`);
  else parts.push("neither sent nor saved yet");
  const words = parts.join(", ");
  return words[0].toUpperCase() + words.slice(1);
}
