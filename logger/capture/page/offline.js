// Whether the page will open again where there is no network.

/** Returns "ready", "refused" (certificate not trusted) or "missing". */
export async function makeOffline() {
  if (!("serviceWorker" in navigator)) return "missing";
  try {
    await navigator.serviceWorker.register("sw.js", { updateViaCache: "none" });
    await navigator.serviceWorker.ready;
    return (await caches.match("./")) ? "ready" : "refused";
  } catch {
    return "refused";
  }
}
