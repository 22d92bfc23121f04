// What works sessions out, kept on the phone: fetched once, each file checked before it is kept.

const KEPT = "analysis-files";
const BASE = new URL("./", import.meta.url).href;

export const base = BASE;

export async function manifest() {
  const answer = await fetch(`${BASE}runtime.json`);
  if (!answer.ok) throw new Error(`The host does not give runtime.json (${answer.status}).`);
  return answer.json();
}

const at = (file) => new URL(file.file, BASE).href;

/** The files that are not kept yet. */
export async function missing({ files }) {
  const cache = await caches.open(KEPT);
  const kept = await Promise.all(files.map((file) => cache.match(at(file))));
  return files.filter((_, index) => !kept[index]);
}

async function hex(bytes) {
  const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", bytes));
  return [...digest].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

async function body(file, more) {
  const answer = await fetch(at(file), { cache: "no-cache" });
  if (!answer.ok) throw new Error(`The host does not give ${file.file} (${answer.status}).`);
  const type = answer.headers.get("content-type") ?? "application/octet-stream";
  const parts = [];
  for (const reader = answer.body.getReader(); ;) {
    const { done, value } = await reader.read();
    if (done) break;
    parts.push(value);
    more(value.length);
  }
  return new Blob(parts, { type });
}

/** What files weigh together, packed. */
export const bytesOf = (files) => files.reduce((sum, file) => sum + file.bytes, 0);

/** Fetch what is missing, one after another, so that what was fetched stays after a break. */
export async function fetchAll(list, progress) {
  const wanting = await missing(list);
  const all = bytesOf(wanting);
  let have = 0;
  const cache = await caches.open(KEPT);
  const wanted = new Set(list.files.map(at));
  for (const request of await cache.keys()) if (!wanted.has(request.url)) await cache.delete(request);
  for (const file of wanting) {
    const blob = await body(file, (bytes) => progress((have += bytes) / all));
    if ((await hex(await blob.arrayBuffer())) !== file.sha256) {
      throw new Error(`${file.file} is not what this page was made with: damaged on its way, or altered on the host. Nothing of it is used. Try again, or tell whoever runs this page.`);
    }
    const type = file.kind === "module" ? "text/javascript; charset=utf-8" : blob.type;
    await cache.put(at(file), new Response(blob, { headers: { "content-type": type } }));
  }
  await navigator.storage?.persist?.().catch(() => false);
}

/** What this browser lacks, in words; "" where it has everything. */
export function lacking() {
  if (typeof WebAssembly !== "object") return "This browser has no WebAssembly, or it is switched off (as in a lockdown mode). Recording works all the same: save the table, and work it out on a computer or another phone.";
  const parts = [["DecompressionStream", "DecompressionStream" in self], ["caches", "caches" in self], ["crypto.subtle", Boolean(self.crypto?.subtle)], ["module workers", "Worker" in self]];
  const gone = parts.filter(([, there]) => !there).map(([name]) => name);
  return gone.length ? `This browser is too old to work sessions out (it lacks ${gone.join(", ")}). Recording works all the same: save the table, and work it out on a computer or a newer phone.` : "";
}
