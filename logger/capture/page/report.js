// The computer's report of all it has: asked for until it rests.

import { token } from "./settings.js";
import { $, make, pause, setText } from "./view.js";

async function ask(address, method) {
  const answer = await fetch(address, { method, headers: { Authorization: `Bearer ${token()}` }, cache: "no-store" });
  return answer.ok ? answer.json() : {};
}

/** Show the report's state while the computer works and `here()` holds; POST has it made again. */
export async function follow(here, method = "GET") {
  $("report").hidden = true;
  try {
    for (let state = "working"; state === "working" && token(); method = "GET") {
      const found = await ask("report", method);
      const ticket = found.report && (await ask("report/ticket", "POST")).ticket; // a link carries no token
      if (!here() || !found.title || found.state === "idle") return;
      state = found.state;
      setText($("report-title"), found.title);
      $("report-lines").replaceChildren(...found.lines.map((textContent) => make("p", { textContent })));
      $("report-link").hidden = !ticket;
      $("report-link").href = `report/page/${ticket}`;
      $("report-again").hidden = /done|work/.test(state);
      $("report").hidden = false;
      await pause(1000);
    }
  } catch {
    // away from the computer: what was shown stays
  }
}
