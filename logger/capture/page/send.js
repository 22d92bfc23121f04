// A file to the computer in parts that can be taken up again: after a break, a reload, or a restart there.

import { pause } from "./view.js";

const PART = 256 * 1024;
const ANSWER_MS = 30_000;
const TRIES = 8;

/** Why sending ended, in words for the person. */
export class SendError extends Error {}

class Retry extends Error {}

/** The same content has the same name, so that a second attempt goes on where the first ended. */
export async function nameOf(file) {
  const digest = await crypto.subtle.digest("SHA-256", await file.arrayBuffer());
  return [...new Uint8Array(digest).slice(0, 16)].map((b) => b.toString(16).padStart(2, "0")).join("");
}

/**
 * Send `file`; resolves when the computer says that it has all of it. `name` is what the person called
 * it, or blank; `progress` is called with (bytes there, bytes in all, words); `wait` is for tests.
 */
export async function send(file, name, token, progress, wait = pause) {
  const address = `recordings/${await nameOf(file)}`;
  let have = null; // what the computer has of it; null where that must be asked first
  let most = -1;
  let failures = 0; // in a row, without a byte more
  for (;;) {
    try {
      const asked = have === null;
      const answer = asked
        ? await talk(address, token)
        : await talk(address, token, { file, name, offset: have });
      have = answer.have;
      if (answer.done) {
        progress(file.size, file.size, "");
        return;
      }
      if (have >= file.size) throw new SendError("The computer has every byte but does not confirm. Send again.");
      if (have > most) failures = 0;
      else if (!asked && ++failures >= TRIES) throw new SendError("The computer takes no more of this recording. Send again later.");
      most = have;
      progress(have, file.size, "");
    } catch (error) {
      if (!(error instanceof Retry)) throw error;
      failures += 1;
      if (failures >= TRIES) throw new SendError(`${error.message} What it has stays there: send again later.`);
      progress(have ?? 0, file.size, `${error.message} Trying again.`);
      await wait(Math.min(500 * 2 ** (failures - 1), 8000));
      have = null; // ask what arrived
    }
  }
}

async function talk(address, token, part = null) {
  const headers = { Authorization: `Bearer ${token}` };
  const request = { method: "GET", headers, cache: "no-store", signal: AbortSignal.timeout(ANSWER_MS) };
  if (part) {
    const { file, name, offset } = part;
    Object.assign(headers, {
      "Upload-Offset": String(offset),
      "Upload-Length": String(file.size),
      "Content-Type": "application/octet-stream",
    });
    if (name) headers["Upload-Name"] = encodeURIComponent(name);
    Object.assign(request, { method: "PUT", body: file.slice(offset, offset + PART) });
  }
  let response;
  let answer;
  try {
    response = await fetch(address, request);
    answer = parsed(await response.text()); // an answer that is cut off is none
  } catch {
    throw new Retry("The computer does not answer. Is it in the same network, and is the program running?");
  }
  const known = answer && Number.isInteger(answer.have) && answer.have >= 0;
  if ((response.ok || response.status === 409) && known) return answer;
  const said = typeof answer?.error === "string" ? answer.error : `it answers ${response.status}`;
  if (response.status === 401) {
    throw new SendError("The computer does not know this page any more. Scan its code again, then send.");
  }
  if (response.status === 408 || response.status === 503 || (response.status >= 500 && response.status !== 507)) {
    throw new Retry(`The computer is busy: ${said}.`);
  }
  throw new SendError(`The computer refuses: ${said}`);
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null; // not from the program: a host that only has files
  }
}
