// Samples -> lines of the own table. Nothing here knows the page or the sensors.

export const COLUMNS = [
  "time_s", "received_s", "latitude_deg", "longitude_deg", "elevation_m", "position_accuracy_m",
  "speed_mps", "heading_deg", "accel_x_mps2", "accel_y_mps2", "accel_z_mps2", "up_x", "up_y", "up_z",
  "rotation_x_radps", "rotation_y_radps", "rotation_z_radps", "mark", "event",
];
const RAD = Math.PI / 180;

/** A number as short text; blank where there is none. */
export function text(value, digits) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "";
  const rounded = Number(value.toFixed(digits));
  return rounded === 0 ? "0" : String(rounded);
}

function oneLine(words) {
  return String(words).replace(/[\u0000-\u001f\u007f-\u009f\s]+/g, " ").trim();
}

function quoted(words) {
  const plain = oneLine(words);
  return /[",]/.test(plain) ? `"${plain.replaceAll('"', '""')}"` : plain;
}

function line(time_ms, received_ms, cells) {
  const named = {
    time_s: text(time_ms / 1000, 4),
    received_s: text(received_ms / 1000, 4),
    ...cells,
  };
  return COLUMNS.map((name) => named[name] ?? "").join(",");
}

/** A fix: `coords` as the browser gives them. Elevation is above the WGS84 ellipsoid. */
export function fixLine(time_ms, received_ms, coords) {
  return line(time_ms, received_ms, {
    latitude_deg: text(coords.latitude, 8),
    longitude_deg: text(coords.longitude, 8),
    elevation_m: text(coords.altitude, 2),
    position_accuracy_m: text(coords.accuracy, 2),
    speed_mps: text(coords.speed, 4),
    heading_deg: text(coords.heading, 2),
  });
}

/** A motion sample: gravity included, device axes and sign as given; turning rate in rad/s. */
export function motionLine(time_ms, received_ms, accel, rate) {
  return line(time_ms, received_ms, {
    accel_x_mps2: text(accel?.x, 5),
    accel_y_mps2: text(accel?.y, 5),
    accel_z_mps2: text(accel?.z, 5),
    // about x, y and z in this order, although deviceorientation names them otherwise
    rotation_x_radps: text(rate?.alpha == null ? null : rate.alpha * RAD, 6),
    rotation_y_radps: text(rate?.beta == null ? null : rate.beta * RAD, 6),
    rotation_z_radps: text(rate?.gamma == null ? null : rate.gamma * RAD, 6),
  });
}

/** Away from the ground in device axes, from the angles of `deviceorientation` (Z-X'-Y''). */
export function upVector(beta_deg, gamma_deg) {
  const [b, c] = [beta_deg * RAD, gamma_deg * RAD];
  return [-Math.cos(b) * Math.sin(c), Math.sin(b), Math.cos(b) * Math.cos(c)];
}

export function upLine(time_ms, received_ms, up) {
  const [up_x, up_y, up_z] = up.map((part) => text(part, 6));
  return line(time_ms, received_ms, { up_x, up_y, up_z });
}

export function eventLine(time_ms, { event = "", mark = "" }) {
  return line(time_ms, time_ms, { event, mark: quoted(mark) });
}

/** The first lines of a recording: `# key: value`, then the header. */
export function headLines(facts) {
  const known = Object.entries(facts).filter(([, v]) => v !== null && v !== undefined && v !== "");
  return [
    ...known.map(([key, value]) => `# ${key}: ${typeof value === "number" ? text(value, 4) : oneLine(value)}`),
    COLUMNS.join(","),
  ];
}
