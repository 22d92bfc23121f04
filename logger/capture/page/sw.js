// Keeps the page's files on the phone. The version is made of their content: a test says what to
// write here after a change.
const VERSION = "1c63034b4d30010b";
const CACHE = `pullcoast-${VERSION}`;
const FILES = [
  "./", "style.css", "main.js", "checks.js", "clock.js", "drive.js", "files.js", "guide.js", "library.js",
  "offline.js", "outing.js", "picture.js", "recorder.js", "report.js", "review.js", "rows.js", "screen.js", "send.js",
  "sensors.js", "settings.js", "setup.js", "store.js", "typical.js", "verdict.js", "view.js", "voice.js", "words.js", "manifest.webmanifest", "icon.svg",
];

self.addEventListener("install", (event) => {
  // a page that is open has all its modules already, so the new files may take over at once
  event.waitUntil((async () => {
    const cache = await caches.open(CACHE);
    await cache.addAll(FILES.map((file) => new Request(file, { cache: "no-cache" })));
    await self.skipWaiting();
  })());
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    for (const name of await caches.keys()) {
      if (name.startsWith("pullcoast-") && name !== CACHE) await caches.delete(name);
    }
    await self.clients.claim();
  })());
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const here = new URL("./", self.location).href;
  const name = request.url.split(/[?#]/)[0].replace(here, "");
  if (request.method !== "GET" || !request.url.startsWith(here)) return;
  const file = name === "" || name === "index.html" ? "./" : name;
  if (!FILES.includes(file)) return; // recordings/... go to the computer
  event.respondWith((async () => {
    const cache = await caches.open(CACHE);
    return (await cache.match(file)) ?? fetch(request);
  })());
});
