// Small helpers for the page: elements, screens, questions, words for sizes and times.

export const $ = (id) => document.getElementById(id);

/** Make an element; text goes in as text, never as markup. */
export function make(tag, properties = {}, ...children) {
  const element = Object.assign(document.createElement(tag), properties);
  element.append(...children);
  return element;
}

export function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export const SIGNS = { good: "OK", fair: "note", bad: "no", wait: "…" };

const SCREENS = ["cautions", "drive", "record", "list", "one"];

/** Show one screen, move the reader's place to its heading. */
export function show(name) {
  for (const id of SCREENS) $(id).hidden = id !== name;
  $("top").hidden = name === "cautions" || name === "record";
  document.body.dataset.screen = name;
  for (const [tab, screens] of [["to-drive", ["drive"]], ["to-list", ["list", "one"]]]) {
    if (screens.includes(name)) $(tab).setAttribute("aria-current", "page");
    else $(tab).removeAttribute("aria-current");
  }
  scrollTo(0, 0);
  $(name).querySelector("h1")?.focus({ preventScroll: true });
}

export function screen() {
  return document.body.dataset.screen;
}

/** Put a question; resolves to false, or to true or the text of the field. */
export function ask({ title, text = "", yes, no = "Cancel", field = null, danger = false }) {
  const dialog = $("ask");
  setText($("ask-title"), title);
  setText($("ask-text"), text);
  $("ask-text").hidden = !text;
  setText($("ask-yes"), yes);
  setText($("ask-no"), no);
  $("ask-yes").className = danger ? "big halt" : "big go";
  $("ask-field").hidden = field === null;
  $("ask-input").value = field ?? "";
  dialog.returnValue = "no";
  dialog.showModal();
  if (field === null) $("ask-no").focus();
  else $("ask-input").select();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => {
      const accepted = dialog.returnValue === "yes";
      resolve(accepted ? (field === null ? true : $("ask-input").value.trim()) : false);
    }, { once: true });
  });
}

export function duration(ms) {
  const all = Math.max(0, Math.round(ms / 1000));
  const [hours, minutes, seconds] = [Math.floor(all / 3600), Math.floor(all / 60) % 60, all % 60];
  const two = (number) => String(number).padStart(2, "0");
  return hours ? `${hours}:${two(minutes)}:${two(seconds)}` : `${minutes}:${two(seconds)}`;
}

export function size(bytes) {
  if (bytes < 1e6) return `${Math.max(1, Math.round(bytes / 1e3))} kB`;
  return `${(bytes / 1e6).toFixed(1)} MB`;
}

export function when(ms) {
  return new Date(ms).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });
}

export function pause(ms) {
  return new Promise((resolve) => setTimeout(resolve, ms));
}
