// The form before a recording: vehicle, air, guide, colours. Asked once, remembered by settings.js.

import { airOf, massOf, save, speedsOf } from "./settings.js";
import { $, setText } from "./view.js";

const FIELDS = {
  vehicle: "vehicle", state: "state", mass: "mass", "mass-unit": "massUnit", temperature: "temperature",
  "temperature-unit": "temperatureUnit", pressure: "pressure", note: "note",
  target: "target", low: "low", unit: "unit", guide: "guide", look: "look",
};
const DARK = matchMedia("(prefers-color-scheme: dark)");
const AIR_MS = 12 * 3_600_000;

export class Setup {
  constructor(settings) {
    this.settings = settings;
    // the air of another day is no longer so
    if (Date.now() - settings.air_ms > AIR_MS) settings.temperature = settings.pressure = "";
    for (const [id, key] of Object.entries(FIELDS)) $(id).value = settings[key];
    for (const input of document.querySelectorAll("input")) Object.assign(input, { autocomplete: "off", enterKeyHint: "done" });
    this.#paint();
    DARK.addEventListener("change", () => this.#paint());
    $("setup").addEventListener("input", () => this.read());
    $("setup").addEventListener("submit", (event) => event.preventDefault());
  }

  /** Take the form's values; returns whether they can be used. */
  read() {
    const { settings } = this;
    const { unit, temperature, pressure } = settings;
    for (const [id, key] of Object.entries(FIELDS)) settings[key] = $(id).value;
    if (unit !== settings.unit) this.#convert();
    if (temperature !== settings.temperature || pressure !== settings.pressure) settings.air_ms = Date.now();
    save(settings);
    const wrongs = [
      [["mass"], "mass-error", massOf(settings).wrong],
      [["temperature", "pressure"], "air-error", airOf(settings).wrong],
      [["target", "low"], "speeds-error", speedsOf(settings).wrong],
    ];
    for (const [ids, error, words] of wrongs) {
      setText($(error), words);
      for (const id of ids) $(id).setAttribute("aria-invalid", String(Boolean(words)));
    }
    this.#paint();
    const first = wrongs.find(([, , words]) => words);
    if (first) {
      $("more").open = true;
      $(first[0][0]).scrollIntoView({ block: "center" });
    }
    return !first;
  }

  /** What travels with a recording. */
  facts() {
    const { vehicle, state, note } = this.settings;
    const { temperature_C, pressure_hPa } = airOf(this.settings);
    return { vehicle: vehicle.trim(), state: state.trim(), mass_kg: massOf(this.settings).mass_kg, temperature_C, pressure_hPa, note };
  }

  /** Speeds that are round numbers in the new unit. */
  #convert() {
    const [low, high] = this.settings.unit === "mph" ? ["12", "60"] : ["20", "100"];
    this.settings.low = $("low").value = low;
    this.settings.target = $("target").value = high;
  }

  #paint() {
    document.documentElement.dataset.look = this.settings.look || (DARK.matches ? "dark" : "light");
  }
}
