// What the person chose, kept between visits; and the computer's token, kept while the tab lives.

const KEY = "pullcoast";
const TOKEN = "pullcoast-token";
const MPS = { "km/h": 1 / 3.6, mph: 0.44704 };
const POUND_KG = 0.45359237;
const FIRST = {
  accepted: false, vehicle: "", state: "", mass: "", massUnit: "kg", note: "",
  temperature: "", temperatureUnit: "°C", pressure: "", air_ms: 0,
  target: "100", low: "20", unit: "km/h", guide: "voice", look: "",
};

export function load() {
  try {
    return { ...FIRST, ...JSON.parse(localStorage.getItem(KEY) ?? "{}") };
  } catch {
    return { ...FIRST };
  }
}

export function save(settings) {
  try {
    localStorage.setItem(KEY, JSON.stringify(settings));
  } catch {
    // full or forbidden: the choices hold for this visit
  }
}

/** Take the token out of the address, where a glance or a synchronised history would show it. */
export function token() {
  const given = location.hash.slice(1);
  if (/^[\w~.+/=-]{8,}$/.test(given)) {
    try {
      sessionStorage.setItem(TOKEN, given);
      history.replaceState(null, "", location.pathname + location.search);
    } catch {
      // it stays in the address
    }
    return given;
  }
  try {
    return sessionStorage.getItem(TOKEN) ?? "";
  } catch {
    return "";
  }
}

export function mps(value, unit) {
  return value * MPS[unit];
}

export function shown(speed_mps, unit) {
  return speed_mps / MPS[unit];
}

/** A number as people type it; NaN where it is none. */
export function number(text) {
  const typed = text.trim().replace(",", ".");
  return /^\d+(\.\d*)?$/.test(typed) ? Number(typed) : NaN;
}

/** The mass in kg, null where none is given, or words about what is wrong. */
export function massOf({ mass, massUnit }) {
  if (!mass.trim()) return { mass_kg: null, wrong: "" };
  const kg = number(mass) * (massUnit === "lb" ? POUND_KG : 1);
  if (kg >= 30 && kg <= 60_000) return { mass_kg: kg, wrong: "" };
  return { mass_kg: null, wrong: `${mass} ${massUnit} is not the mass of a vehicle. Write a number such as 1480, or leave it out.` };
}

/** Air at the place, null where not given, or words about what is wrong. */
export function airOf({ temperature, temperatureUnit, pressure }) {
  const sign = temperature.trim().startsWith("-") || temperature.trim().startsWith("−") ? -1 : 1;
  const degrees = temperature.trim() ? sign * number(temperature.trim().replace(/^[-−]/, "")) : null;
  const temperature_C = degrees === null || temperatureUnit === "°C" ? degrees : (degrees - 32) / 1.8;
  const pressure_hPa = pressure.trim() ? number(pressure) : null;
  let wrong = "";
  if (temperature_C !== null && !(temperature_C >= -40 && temperature_C <= 55)) wrong = "Write the air's temperature as a number, such as 14.";
  else if (pressure_hPa !== null && !(pressure_hPa >= 500 && pressure_hPa <= 1090)) wrong = "Write the air pressure at this place in hPa, such as 1002, or leave it out.";
  return wrong ? { temperature_C: null, pressure_hPa: null, wrong } : { temperature_C, pressure_hPa, wrong };
}

/** The guide's speeds in m/s, or words about what is wrong. */
export function speedsOf({ target, low, unit }) {
  const [high, slow] = [number(target), number(low)].map((value) => mps(value, unit));
  if (!(high <= 100 && slow >= 1)) {
    return { wrong: "Write both speeds as numbers, such as 100 and 20." };
  }
  if (high < slow + 5) return { wrong: "The first speed must be well above the second." };
  return { target_mps: high, low_mps: slow, wrong: "" };
}
