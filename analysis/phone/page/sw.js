
// The part of the phone alone: what works sessions out is kept by the page once a person asks for it,
// in a cache that outlives new versions of the page, and answered from there.
const KEPT = "analysis-files";
const OWN_POLICY = "@POLICY@";

self.addEventListener("install", (event) => {
  event.waitUntil((async () => {
    const answer = await fetch(new Request("phone/worker.js", { cache: "no-cache" }));
    if (!answer.ok) throw new Error("the worker is missing");
    const headers = { "content-type": "text/javascript; charset=utf-8", "content-security-policy": OWN_POLICY };
    // a host may send no policy: this one binds the worker too
    await (await caches.open(CACHE)).put("phone/worker.js", new Response(await answer.blob(), { headers }));
  })());
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const here = new URL("./", self.location).href;
  const name = request.url.split(/[?#]/)[0].replace(here, "");
  if (request.method !== "GET" || !request.url.startsWith(here)) return;
  if (name !== "phone/worker.js" && !name.startsWith("phone/runtime/")) return;
  event.respondWith((async () => {
    const cache = await caches.open(name === "phone/worker.js" ? CACHE : KEPT);
    return (await cache.match(request.url, { ignoreSearch: true })) ?? fetch(request);
  })());
});
