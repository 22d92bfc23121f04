// The phone alone: a screen of its own that works sessions out. It uses the capture page's store,
// settings and helpers and changes none of them; worker.js computes, keep.js fetches and keeps,
// shelf.js holds results.

import { handOver, tableOf } from "../files.js";
import { load, massOf, airOf, save } from "../settings.js";
import { Store } from "../store.js";
import { $, make, setText, size, when } from "../view.js";
import { base, bytesOf, fetchAll, lacking, manifest, missing } from "./keep.js";
import { Shelf } from "./shelf.js";

const OTHERS = ["cautions", "drive", "record", "list", "one"];
const MEMORY = "Not enough memory on this phone: close other tabs and apps and try again, choose fewer recordings, or send them to a computer. Your recordings are whole.";

let store, shelf, list, worker = null, started = null, busy = false, waiting = null, result = null;
const chosen = new Set();

function field(id, label, control) {
  control.id = id;
  return make("div", { className: "pair" }, make("label", { htmlFor: id, textContent: label }), control);
}

function choice(...words) {
  return make("select", {}, ...words.map((word) => make("option", { textContent: word })));
}

function button(id, className, textContent, act) {
  const made = make("button", { id, className, textContent, type: "button" });
  made.addEventListener("click", act);
  return made;
}

function build() {
  const files = make("input", { id: "phone-open", type: "file", multiple: true });
  files.accept = ".csv,.tsv,.txt,.gpx,.nmea,.gz,.toml";
  files.addEventListener("change", () => opened([...files.files]).then(() => { files.value = ""; }));
  const section = make("section", { id: "phone", hidden: true },
    make("h1", { id: "phone-title", tabIndex: -1, textContent: "Work it out on this phone" }),
    make("p", { className: "hint", textContent: "Wheel power and road load from your runs, worked out here. Nothing leaves the phone." }),
    make("p", { id: "phone-alarm", className: "alarm", role: "alert" }),
    make("form", { id: "phone-form", noValidate: true },
      make("fieldset", {}, make("legend", { textContent: "Recordings" }), make("div", { id: "phone-own" }),
        make("div", { id: "phone-others" }),
        make("div", { className: "pair" }, make("label", { htmlFor: "phone-open", textContent: "Open files from elsewhere (CSV, GPX, NMEA)" }), files)),
      make("div", { className: "row" }, field("phone-mass", "Mass as driven", make("input", { inputMode: "decimal", autocomplete: "off" })), field("phone-mass-unit", "Unit", choice("kg", "lb"))),
      make("div", { className: "row" }, field("phone-temperature", "Temperature, °C", make("input", { autocomplete: "off" })), field("phone-pressure", "Air pressure here, hPa", make("input", { inputMode: "decimal", autocomplete: "off" }))),
      make("div", { className: "row" }, field("phone-power", "Power in", choice("kW", "hp", "PS")), field("phone-speed", "Speed in", choice("km/h", "mph"))),
      field("phone-out", "Leave out runs (numbers in the report)", make("input", { placeholder: "none", autocomplete: "off" }))),
    make("div", { id: "phone-result", hidden: true },
      make("h2", { id: "phone-headline" }), make("div", { id: "phone-lines" }), make("p", { id: "phone-when", className: "hint" }),
      make("div", { className: "stack" },
        button("phone-report", "big soft", "Open the full report", () => full()),
        button("phone-save-report", "big soft", "Keep the report (report.html)", () => hand("report.html", "text/html")),
        button("phone-save-results", "big soft", "Keep the numbers (results.json)", () => hand("results.json", "application/json")),
        button("phone-save-curves", "big soft", "Keep the curves (curves.csv)", () => hand("curves.csv", "text/csv"))),
      make("div", { id: "phone-full" }), make("div", { id: "phone-figures" })),
    make("p", { className: "hint" }, make("a", { href: "phone/licences.txt", textContent: "Licences of what runs here" })),
    make("div", { className: "bar" },
      make("p", { id: "phone-step", className: "hint", role: "status" }),
      make("progress", { id: "phone-progress", max: 1, value: 0, hidden: true, ariaLabel: "Progress" }),
      button("phone-go", "big go", "Work it out on this phone", () => go())));
  section.setAttribute("aria-labelledby", "phone-title");
  document.querySelector("main").append(section);
  document.querySelector("nav").append(button("to-phone", "tab", "Result", () => open()));
  $("on").before(button("one-phone", "big soft", "Work it out on this phone", () => open()));
  $("phone-form").addEventListener("submit", (event) => event.preventDefault());
}

/** Show this screen; the capture page's own `show` takes it away again. */
async function open() {
  for (const id of OTHERS) $(id).hidden = true;
  $("top").hidden = false;
  document.body.dataset.screen = "phone";
  for (const id of ["to-drive", "to-list"]) $(id).removeAttribute("aria-current");
  $("to-phone").setAttribute("aria-current", "page");
  $("phone").hidden = false;
  scrollTo(0, 0);
  $("phone-title").focus({ preventScroll: true });
  await fill();
}

function left() {
  const screen = document.body.dataset.screen;
  if (screen === "phone") return;
  $("phone").hidden = true;
  $("to-phone").removeAttribute("aria-current");
  if (screen === "record" && worker) end("Ended, since a recording began. It can be started again.");
}

function pick(name, checked, words, more = []) {
  const box = make("input", { type: "checkbox", checked });
  box.addEventListener("change", () => (box.checked ? chosen.add(name) : chosen.delete(name)));
  return make("label", { className: "phone-pick" }, box, make("span", { textContent: words }), ...more);
}

async function fill() {
  const entries = await store.list();
  const [newest] = entries;
  const settings = load();
  if (!chosen.size && newest) {
    // an outing: what was recorded within twelve hours of the newest
    for (const entry of entries) if (newest.started_ms - entry.started_ms < 12 * 3_600_000) chosen.add(entry.id);
  }
  $("phone-own").replaceChildren(...entries.map((entry) => pick(entry.id, chosen.has(entry.id), `${entry.name}, ${size(entry.bytes)}`)));
  if (!entries.length) $("phone-own").replaceChildren(make("p", { className: "hint", textContent: "None recorded here yet." }));
  await fillOpened();
  const facts = newest?.facts ?? {};
  const given = (id, value) => { if (!$(id).value && value) $(id).value = value; };
  if (!$("phone-mass").value) $("phone-mass-unit").value = settings.mass ? settings.massUnit : "kg";
  given("phone-mass", settings.mass || (facts.mass_kg && String(facts.mass_kg)));
  given("phone-temperature", facts.temperature_C ?? airOf(settings).temperature_C);
  given("phone-pressure", facts.pressure_hPa ?? airOf(settings).pressure_hPa);
  if (!result) {
    [result = null] = await shelf.results();
    if (result) showResult();
  }
  const words = lacking();
  setText($("phone-alarm"), words);
  $("phone-go").disabled = Boolean(words) || busy;
  if (!words) await price();
}

/** The button says what it costs, once. */
async function price() {
  try {
    list ??= await manifest();
    const bytes = bytesOf(await missing(list));
    setText($("phone-go"), bytes ? `Work it out on this phone (${Math.ceil(bytes / 1e6)} MB, once)` : "Work it out on this phone");
  } catch (error) {
    setText($("phone-alarm"), `What is needed cannot be looked up: ${error.message}`);
  }
}

async function fillOpened() {
  const all = await shelf.opened();
  $("phone-others").replaceChildren(...all.map(({ name, data }) => {
    const drop = button("", "tab", "Remove", async () => { await shelf.drop(name); chosen.delete(`file ${name}`); await fillOpened(); });
    drop.setAttribute("aria-label", `Remove ${name}`);
    return make("div", { className: "row" }, pick(`file ${name}`, chosen.has(`file ${name}`), `${name}, ${size(data.byteLength)}`), drop);
  }));
}

async function opened(files) {
  try {
    for (const file of files) {
      await shelf.add(file.name.replace(/[\/\\]/g, "_"), await file.arrayBuffer());
      chosen.add(`file ${file.name.replace(/[\/\\]/g, "_")}`);
    }
    setText($("phone-alarm"), "");
  } catch (error) {
    setText($("phone-alarm"), `The file cannot be kept here (${error.name}): the phone's storage may be full.`);
  }
  await fillOpened();
}

/** What the page asks of the analysis; words where it cannot. */
async function wishes() {
  const settings = load();
  const { mass_kg, wrong } = massOf({ mass: $("phone-mass").value, massUnit: $("phone-mass-unit").value });
  const air = airOf({ temperature: $("phone-temperature").value, temperatureUnit: "°C", pressure: $("phone-pressure").value });
  const files = [], log = [];
  for (const entry of await store.list()) {
    if (!chosen.has(entry.id)) continue;
    const { file } = await tableOf(store, entry);
    const name = `${String(log.length + 1).padStart(2, "0")}_${file.name}`;
    log.push({ file: name, note: String(entry.facts.note ?? "").slice(0, 200) });
    files.push({ name, data: await file.arrayBuffer() });
  }
  const others = (await shelf.opened()).filter(({ name }) => chosen.has(`file ${name}`));
  const described = others.some(({ name }) => name === "session.toml");
  if (!files.length && !others.length) throw new Error("Choose at least one recording, or open a file.");
  if (wrong) throw new Error(wrong);
  if (air.wrong) throw new Error(air.wrong);
  if (mass_kg === null && !described) throw new Error("Not yet: the mass. Write the mass as driven, with people, fuel and load.");
  for (const { name, data } of others) files.push({ name: `opened/${name}`, data: data.slice(0) });
  const vehicle = Object.fromEntries(Object.entries({ name: settings.vehicle.trim(), state: settings.state.trim() }).filter(([, value]) => value));
  const document = { vehicle: { ...vehicle, mass_kg }, log };
  const known = Object.entries({ temperature_C: air.temperature_C, pressure_hPa: air.pressure_hPa }).filter(([, value]) => value !== null);
  if (known.length) document.air = Object.fromEntries(known);
  const leave_out = $("phone-out").value.split(",").map((part) => part.trim()).filter(Boolean);
  const display = described ? {} : { power: $("phone-power").value, speed: $("phone-speed").value };
  if (mass_kg !== null && $("phone-mass").value !== settings.mass) save({ ...settings, mass: $("phone-mass").value, massUnit: $("phone-mass-unit").value });
  return { files, wishes: { document, display, leave_out } };
}

function step(words, share = null) {
  setText($("phone-step"), words);
  $("phone-progress").hidden = !words;
  if (share === null) $("phone-progress").removeAttribute("value");
  else $("phone-progress").value = share;
}

/** End the worker; whoever waits for it learns why. */
function end(words) {
  worker?.terminate();
  worker = started = null;
  waiting?.fail(new Error(words));
}

/** Send to the worker and wait for one kind of answer. */
function asked(message, until, transfer = []) {
  return new Promise((resolve, reject) => {
    waiting = { until, resolve, fail: reject };
    worker.postMessage(message, transfer);
  });
}

function heard({ data }) {
  if (data.kind === "step") step(`${data.text} …`);
  else if (data.kind === "headline") {
    result = { made_ms: Date.now(), shown: data.shown, figures: [], files: {}, memory_bytes: data.memory_bytes };
    showResult();
    $("phone-headline").scrollIntoView({ block: "start" });
  } else if (data.kind === "failed") end(inWords(data.text, data.name));
  else if (data.kind === waiting?.until) waiting.resolve(data);
}

function inWords(text, name) {
  const last = text.trim().split("\n").at(-1); // above it stand names of files
  if (/^MemoryError|out of memory|allocat|memory access out of bounds|grow memory/i.test(last) || name === "memory") return MEMORY;
  return `It could not be worked out: ${last} Your recordings are whole.`;
}

async function begin() {
  worker = new Worker("phone/worker.js", { type: "module" });
  worker.onmessage = heard;
  worker.onerror = (event) => end(inWords(event.message || "the browser ended it", "memory"));
  await asked({ kind: "start", manifest: list, base }, "started");
}

async function go() {
  if (busy) return;
  busy = true;
  $("phone-go").disabled = true;
  setText($("phone-alarm"), "");
  try {
    const { files, wishes: asks } = await wishes();
    list ??= await manifest();
    if ((await missing(list)).length) {
      const { quota = Infinity, usage = 0 } = (await navigator.storage?.estimate?.()) ?? {};
      if (quota - usage < 1.1 * list.bytes) throw new Error(`The phone's storage has no room for ${Math.ceil(list.bytes / 1e6)} MB: clear something, and try again.`);
      await fetchAll(list, (share) => step(`Fetching, once: ${Math.round(100 * share)} %`, share));
    }
    if (!worker) {
      step("Starting …");
      started = begin();
    }
    await started;
    const drawn = await asked({ kind: "work", files, wishes: asks }, "drawn", files.map((file) => file.data));
    result = { ...result, figures: drawn.figures, files: drawn.files, memory_bytes: drawn.memory_bytes };
    showResult();
    await shelf.keep(result);
  } catch (error) {
    const words = error instanceof RangeError ? MEMORY : error.message;
    setText($("phone-alarm"), /Failed to fetch|NetworkError|Load failed/.test(words) ? "No network, and not everything is here yet: what was fetched is kept. Try again with a network." : words);
    $("phone-alarm").scrollIntoView({ block: "center" });
  }
  busy = false;
  step("");
  $("phone-go").disabled = Boolean(lacking());
  await price();
}

function showResult() {
  const { shown, figures, files, made_ms } = result;
  setText($("phone-headline"), shown.title);
  $("phone-lines").replaceChildren(...shown.lines.map((textContent) => make("p", { textContent })));
  setText($("phone-when"), `Worked out ${when(made_ms)}${shown.runs ? `; ${shown.runs.length} runs` : ""}.`);
  for (const [id, name] of [["report", "report.html"], ["save-report", "report.html"], ["save-results", "results.json"], ["save-curves", "curves.csv"]]) $(`phone-${id}`).hidden = !files[name];
  for (const image of $("phone-figures").querySelectorAll("img")) URL.revokeObjectURL(image.src);
  $("phone-full").replaceChildren();
  $("phone-figures").replaceChildren(...figures.map(({ title, words, svg }) => make("figure", { className: "phone-figure" },
    make("figcaption", { textContent: title }),
    make("img", { alt: words, src: URL.createObjectURL(new Blob([svg], { type: "image/svg+xml" })) }))));
  $("phone-result").hidden = false;
}

/** The full report, shut in: it may run no script but the frame's own, and knows nothing of this page. */
function full() {
  const frame = make("iframe", { className: "phone-frame", title: "Full report", src: "phone/frame.html" });
  frame.setAttribute("sandbox", "allow-scripts allow-downloads");
  const give = (event) => {
    if (event.source !== frame.contentWindow || event.data !== "ready") return;
    removeEventListener("message", give);
    frame.contentWindow.postMessage(result.files["report.html"], "*");
  };
  addEventListener("message", give);
  $("phone-full").replaceChildren(frame);
  frame.scrollIntoView({ block: "start" });
}

async function hand(name, type) {
  const how = await handOver(new File([result.files[name]], name, { type }));
  if (how !== "left") setText($("phone-step"), how === "shared" ? "Handed over" : `In the phone's downloads as ${name}`);
}

async function main() {
  try {
    [store, shelf] = [await Store.open(), await Shelf.open()];
  } catch {
    return; // the capture page says that this browser keeps nothing
  }
  build();
  new MutationObserver(left).observe(document.body, { attributes: true, attributeFilter: ["data-screen"] });
}

main();
