// The analysis, apart from the page: a WebAssembly Python with its packages, started once.
//
// In: "start" with the list of files, "work" with recordings and wishes. Out: "step", "headline",
// "drawn", "failed". Python is entered by two functions, `work_out` and `draw`; there is no network
// beyond the files of this folder.

const SITE = "/lib/python3.12/site-packages";
const HOME = "/outing";
let python = null;

function report(kind, more = {}) {
  postMessage({ kind, ...more });
}

/** A kept file, or where the page could keep none the host's. */
async function take(url) {
  const kept = "caches" in self ? await caches.match(url).catch(() => null) : null;
  const answer = kept ?? (await fetch(url));
  if (!answer.ok) throw new Error(`the host answers ${answer.status} for ${new URL(url).pathname}`);
  return answer;
}

function unpacked(bytes) {
  const plain = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Response(plain, { headers: { "content-type": "application/wasm" } });
}

/** Start Python: archives are fetched side by side with it, and unpacked where it looks for packages. */
async function start(manifest, base) {
  const of = (kind) => manifest.files.filter((file) => file.kind === kind);
  const at = (file) => new URL(file.file, base).href;
  const index = new URL(manifest.index, base).href;
  const whole = async (file) => (await take(at(file))).arrayBuffer();
  // whole before Python starts: an answer that waits to be read holds one of the host's few connections
  const [wasm, stdlib] = await Promise.all([whole(of("wasm")[0]), whole(of("stdlib")[0])]);
  const archives = of("archive").map((file) => [file, whole(file)]);
  for (const [, bytes] of archives) bytes.catch(() => {}); // waited for below
  const given = new Map([
    [`${index}pyodide.asm.wasm`, unpacked(wasm)],
    [at(of("stdlib")[0]), new Response(stdlib)],
    [`${index}pyodide-lock.json`, new Response('{"info": {"abi_version": "2024_0", "arch": "wasm32", "platform": "emscripten_3_1_58", "python": "3.12.7", "version": "0.27.7"}, "packages": {}}')],
  ]);
  const original = self.fetch;
  self.fetch = (resource, options) => {
    const url = String(resource?.url ?? resource);
    return given.has(url) ? Promise.resolve(given.get(url)) : original.call(self, resource, options);
  };
  const { loadPyodide } = await import(`${index}pyodide.mjs`);
  const started = await loadPyodide({
    indexURL: index, lockFileURL: `${index}pyodide-lock.json`, stdLibURL: at(of("stdlib")[0]),
    env: { MPLBACKEND: "svg", MPLCONFIGDIR: "/tmp", HOME: "/tmp", PYTHONWARNINGS: "ignore", OPENBLAS_NUM_THREADS: "1" },
    stdout() {}, stderr() {},
  });
  self.fetch = original;
  for (const [file, bytes] of archives) started.unpackArchive(await bytes, "zip", { extractDir: file.into ?? SITE });
  // shared libraries are loaded first, for the modules that ask for them by name
  for (const [file] of archives) for (const name of file.libraries ?? []) await started._api.loadDynlib(`${file.into}/${name}`, true, [file.into]);
  python = started;
}

/** Put the recordings where Python reads them; nothing of an earlier session stays. */
function lay(files) {
  const { FS } = python;
  const clear = (folder) => {
    for (const name of FS.readdir(folder)) {
      if (name === "." || name === "..") continue;
      const path = `${folder}/${name}`;
      if (FS.isDir(FS.stat(path).mode)) clear(path);
      else FS.unlink(path);
    }
  };
  FS.mkdirTree(`${HOME}/opened`);
  clear(HOME);
  FS.chdir("/");
  for (const { name, data } of files) FS.writeFile(`${HOME}/${name}`, new Uint8Array(data));
}

function memory() {
  return python._module.HEAPU8.length;
}

async function work({ files, wishes }) {
  lay(files);
  report("step", { text: "Loading what the analysis needs" });
  const { work_out } = python.pyimport("analysis.phone.worked_out");
  report("step", { text: "Reading the recordings, and fitting all runs at once" });
  const worked = work_out(HOME.slice(1), JSON.stringify(wishes));
  const shown = JSON.parse(worked.shown);
  report("headline", { shown, memory_bytes: memory() });
  if (shown.status === 0) {
    report("step", { text: "Drawing and writing the report" });
    const { draw } = python.pyimport("analysis.phone.drawn");
    report("drawn", { ...JSON.parse(draw(worked)), memory_bytes: memory() });
  } else {
    report("drawn", { figures: [], files: {}, memory_bytes: memory() });
  }
  worked.destroy();
}

self.onmessage = async ({ data }) => {
  try {
    if (data.kind === "start") {
      report("step", { text: "Starting" });
      await start(data.manifest, data.base);
      report("started");
    } else {
      await work(data);
    }
  } catch (error) {
    report("failed", { text: String(error?.message ?? error).trim().slice(-2000), name: String(error?.name) });
  }
};
