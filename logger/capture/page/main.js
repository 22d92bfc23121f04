// Read this file first: it opens the store and joins the screens.
//
// drive.js records (sensors.js -> recorder.js -> store.js, with guide.js and voice.js for the
// driver); library.js lists, saves and sends (files.js, send.js). rows.js and clock.js say how a
// sample becomes a line of the table; verdict.js what a recording is worth, outing.js what an outing
// has, words.js and picture.js say and draw it (review.js).

import { Drive } from "./drive.js";
import { Library } from "./library.js";
import { load, save, token } from "./settings.js";
import { Store } from "./store.js";
import { $, screen, setText, show } from "./view.js";

async function begin() {
  token();
  addEventListener("hashchange", token);
  const settings = load();
  let store;
  try {
    store = await Store.open();
  } catch {
    document.body.replaceChildren(Object.assign(document.createElement("p"), {
      className: "alone",
      textContent: "This browser keeps nothing for this page, so it cannot record. Open the page in an ordinary window (not a private one), or in another browser.",
    }));
    return;
  }
  const library = new Library(store, settings);
  const drive = new Drive(store, settings, (id) => library.open(id));
  $("accept").addEventListener("click", () => {
    settings.accepted = true;
    save(settings);
    drive.ready();
  });
  $("again").addEventListener("click", () => show("cautions"));
  for (const id of ["to-drive", "on"]) $(id).addEventListener("click", () => drive.ready());
  $("to-list").addEventListener("click", () => library.list());
  await library.count();
  const [newest] = await store.list();
  if (newest && !newest.ended && !newest.sent_ms && !newest.saved_ms && !drive.recorder) {
    setText($("bar-note"), "The last recording was cut off; what was stored of it is whole.");
  }
  if (screen() !== undefined || drive.recorder) return;
  if (settings.accepted) await drive.ready();
  else show("cautions");
}

begin();
