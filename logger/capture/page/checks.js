// What the phone gives, in plain words with what to do about it. Words only: no sensors, no page.

/** Each check: [state, title, words]; state is "good", "fair", "bad" or "wait". */
export function checks({ sensors, lock, storage, offline }) {
  return [gps(sensors), motion(sensors), screen(lock), room(storage), network(offline)];
}

function gps(sensors) {
  const title = "GPS";
  if (sensors.location === "unasked") return ["wait", title, "Not on yet."];
  if (sensors.location === "missing") return ["bad", title, "This browser gives no location. Use another browser, or another phone."];
  if (sensors.location === "refused") {
    return ["bad", title, "Location is not allowed. Allow it for this page in the browser's settings, and for the browser in the phone's settings; then load the page again."];
  }
  if (sensors.fix_ms === null) return ["wait", title, "Waiting for the first fix, under open sky."];
  if (sensors.gpsLost()) return ["bad", title, "No fix for some seconds."];
  const metres = Math.max(1, Math.round(sensors.accuracy_m));
  const rate = sensors.fixRate();
  const often = rate ? `, ${rate.toFixed(1)} fixes a second` : "";
  const words = `Good to ${metres} m${often}.`;
  const noSpeed = sensors.speedKnown ? "" : " No speed comes with it yet: positions alone give much less.";
  if (metres > 100) return ["bad", title, `Only good to ${metres} m. Allow this browser the precise location, and go outside.`];
  if (metres > 20) return ["fair", title, `${words} Wait under open sky until it is 20 m or better.${noSpeed}`];
  if (rate && rate < 0.7) return ["fair", title, `${words} One a second is usual; fewer make results less certain.${noSpeed}`];
  return [noSpeed ? "fair" : "good", title, words + noSpeed];
}

function motion(sensors) {
  const title = "Motion";
  if (sensors.motion === "unasked") return ["wait", title, "Not on yet."];
  if (sensors.motion === "missing") return ["bad", title, "This browser gives no motion. GPS alone is recorded: less certain."];
  if (sensors.motion === "refused") return ["bad", title, "Motion is not allowed. Allow motion sensors for this page in the browser's settings, then load it again."];
  const rate = sensors.motionRate();
  if (!rate && !(performance.now() - sensors.asked_ms > 2000)) return ["wait", title, "Waiting for the first sample."];
  if (!rate) return ["bad", title, "No motion comes. GPS alone is recorded: less certain. Are the sensors switched off, or in use?"];
  if (rate < 15) return ["fair", title, `${Math.round(rate)} samples a second: few, but usable.`];
  return ["good", title, `${Math.round(rate)} samples a second.`];
}

function screen(lock) {
  const title = "Screen";
  if (lock.state === "held") return ["good", title, "Stays on. Keep this page in front: a call or the lock button cuts the recording."];
  if (lock.state === "unasked") return ["wait", title, "Not on yet."];
  return ["fair", title, "Set it to stay on by hand (display settings, automatic lock: never): the page may not."];
}

function room({ free, kept }) {
  const title = "Storage";
  if (free === undefined) return ["wait", title, "Looking."];
  if (free === null) return ["fair", title, "The browser does not say how much. Send or save recordings the same day."];
  const hours = free / 25e6; // about 25 MB an hour at 60 samples a second
  const words = hours >= 10 ? "Room for many hours." : `Room for about ${hours >= 1 ? `${Math.floor(hours)} h` : `${Math.floor(hours * 60)} min`}.`;
  const keep = kept ? "" : " The browser may clear it after some days: send or save recordings the same day.";
  if (hours < 0.25) return ["bad", title, `${words} Send and delete old recordings first.`];
  return [hours < 2 ? "fair" : "good", title, words + keep];
}

function network(offline) {
  const title = "Without network";
  if (offline === "ready") return ["good", title, "This page opens again even where there is no network."];
  if (offline === null) return ["wait", title, "Looking."];
  return ["fair", title, "Keep this page open until you are home: it cannot be loaded on the road."];
}

/** GPS in a few words, to stand beside the button: [state, words]. */
export function gpsShort(sensors) {
  const [state, title, words] = gps(sensors);
  return [state, `${title}: ${words.split(/[,.] /)[0].replace(/\.$/, "")}`];
}

/** Ask the browser for room, and to keep what is stored. */
export async function storageState() {
  try {
    const kept = (await navigator.storage?.persisted?.()) ?? false;
    const estimate = await navigator.storage?.estimate?.();
    return { free: estimate ? estimate.quota - estimate.usage : null, kept };
  } catch {
    return { free: null, kept: false };
  }
}
