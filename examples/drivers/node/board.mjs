// What an integrator replaces: the facts of a thrower and six functions, none of which may wait. This one has no motor:
// wheels close on their goal with 15 ms, a ball is out 60 ms after its push.

const wheel = { low_rpm: 0, high_rpm: 4500, up_rpm_per_s: 3500, down_rpm_per_s: 4500, quick_rpm_per_s: 7000 };

export const facts = {
  driver: "example driver in JavaScript, simulated",
  limits: { top: wheel, bottom: wheel, tilt: { low_deg: -20, high_deg: 45, slew_deg_per_s: 60 } },
  feedback: "measured",
  stopping: "brake",
  spin_down_s: 1.5,
  exit_sensor: true,
  agitator: false,
  simulated: true,
};
export const diameter_m = { top: 0.06, bottom: 0.06 };

const goal = { top: 0, bottom: 0 };
const rpm = { top: 0, bottom: 0 };
let tilt_deg = 0;
let last_s = null;
let pushes = 0;
let leaves_s = Infinity;
let exits = 0;

// Comes first in each turn. What is not known is left out, never 0.
export function read(now) {
  const share = last_s === null ? 0 : -Math.expm1((last_s - now) / 0.015);
  last_s = now;
  if (pushes > 0) [leaves_s, pushes] = [now + 0.06, pushes - 1];
  if (now >= leaves_s) [exits, leaves_s] = [exits + 1, Infinity];
  for (const w of ["top", "bottom"]) rpm[w] += (goal[w] - rpm[w]) * share;
  return { top: rpm.top, bottom: rpm.bottom, tilt_deg, exits };
}

export const setWheel = (w, to_rpm) => { goal[w] = to_rpm; };
export const setTilt = (deg) => { tilt_deg = deg; };
export const feedOne = () => { pushes += 1; };
export const cut = () => { pushes = 0; };
