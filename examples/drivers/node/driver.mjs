// The clauses of LINK.md (L1 to L31) over the board of board.mjs. No socket and no clock in here: `now` is seconds on
// the driver's clock, `asleep` how long the computer has slept in all, which `now` does not count; `send` takes an object to be sent at once or not at all. It performs no safety function: fit a
// switch that cuts the motors' supply.

import { cut, diameter_m, facts, feedOne, read, setTilt, setWheel } from "./board.mjs";

export const TURN_MS = 5; // between two looks, at most
const WHEELS = ["top", "bottom"];
const ANGLES = ["tilt", "pan", "roll"];
const FRAME_BYTES = 16384;
const LATE_S = 0.02;
const AHEAD_S = 2;
const STAY_S = 1;
const FEEDS = 8;
const BAND_DEG = 1;
const SLEPT_S = 0.5;
const QUEUE = 128; // 2 s ahead, a setpoint each 20 ms

const isNumber = (x) => typeof x === "number" && Number.isFinite(x);
const isCount = (x) => Number.isInteger(x) && x >= 0 && x <= 2 ** 53;
const isTime = (x) => isNumber(x) && x >= 0;
const isText = (x, least = 0, most = 200) => typeof x === "string" && x.length >= least && x.length <= most;
const isObject = (x) => typeof x === "object" && x !== null && !Array.isArray(x);
const eachAngle = (x, is) => ANGLES.every((axis) => isMaybe(x[axis], is));
const isMaybe = (x, is) => x === undefined || x === null || is(x);
const isWheelTarget = (x) => isObject(x) && isNumber(x.rpm) && isNumber(x.ramp_rpm_per_s) && x.ramp_rpm_per_s > 0;
const isAngleTarget = (x) => isObject(x) && isNumber(x.deg) && isNumber(x.slew_deg_per_s) && x.slew_deg_per_s > 0;
const isFeed = (x) => isObject(x) && isCount(x.id) && isTime(x.at_s);
const isFlag = (x) => typeof x === "boolean";
const rates = ["up_rpm_per_s", "down_rpm_per_s", "quick_rpm_per_s"];
const isRate = (x) => isNumber(x) && x > 0;
const isSpan = (low, high) => isNumber(low) && isNumber(high);
const isWheelLimits = (x) => isObject(x) && isSpan(x.low_rpm, x.high_rpm) && rates.every((r) => isRate(x[r]));
const isAngleLimits = (x) => isObject(x) && isSpan(x.low_deg, x.high_deg) && isRate(x.slew_deg_per_s);
const isLimits = (x) => isObject(x) && WHEELS.every((w) => isWheelLimits(x[w])) && eachAngle(x, isAngleLimits);

// L2: what each kind must look like.
const addressed = (m) => isText(m.session) && isCount(m.epoch);
const SHAPES = {
  ping: (m) => isCount(m.n),
  hello: (m) => isText(m.session, 4, 64) && isText(m.daemon) && isLimits(m.limits)
    && /^[0-9a-f]{16}$/.test(m.limits_hash) && isNumber(m.watchdog_feed_ms) && isNumber(m.watchdog_stop_ms),
  setpoint: (m) => addressed(m) && isCount(m.seq) && isTime(m.at_s) && isTime(m.until_s)
    && WHEELS.every((w) => isWheelTarget(m[w])) && eachAngle(m, isAngleTarget) && isFlag(m.feeding)
    && isMaybe(m.agitator, isFlag) && isMaybe(m.feeds, (x) => Array.isArray(x) && x.every(isFeed)),
  arm: addressed, disarm: addressed, stop: addressed, clear: addressed,
};

function parse(bytes) {
  try {
    return JSON.parse(new TextDecoder("utf-8", { fatal: true }).decode(bytes));
  } catch {
    return null;
  }
}

const ramped = (value, to, most) => (to > value ? Math.min(to, value + most) : Math.max(to, value - most));
const rimRpm = (w, mps) => (mps * 60) / (Math.PI * diameter_m[w]);
const median = (list) => {
  const sorted = [...list].sort((a, b) => a - b);
  return (sorted[sorted.length >> 1] + sorted[(sorted.length - 1) >> 1]) / 2;
};
const keepLast = (list, most) => list.splice(0, Math.max(0, list.length - most));

// `note` takes an event of DRIVER_LOG.md: its name, its moment, its further fields.
export function makeDriver(boot, send, began, note = () => {}) {
  const own = facts.limits;
  const out = { top: 0, bottom: 0 };
  const limited = { top: false, bottom: false, tilt: false };
  const past = [], results = [], exits = [], refusals = [], samples = [];
  let limits = own, hash = null, session = null, epoch = 0, seq = -1, judged = -1, opensAfter = -1;
  let mode = "disarmed", why = null, trip = "", feeding = false, queue = [], target = null;
  let waiting = new Map(), spent = new Map(), floor = -1;
  let accepted = null, watchFrom = began, feedAfter = 0.25, stopAfter = 0.5;
  let seen = null, tilt = null, turned = began, moved = null, refused = 0, exitCount = 0;
  let heard = -Infinity, helloSent = -Infinity, statusDue = began, sampleDue = began;
  let changed = true, knownAsleep = null;

  const seenExits = () => (facts.exit_sensor ? exitCount : null);
  const turning = () => WHEELS.some((w) => out[w] !== 0);

  function rest(now) { // L24
    if (facts.feedback === "none") return turning() ? false : now - turned >= facts.spin_down_s ? true : null;
    if (!seen || WHEELS.some((w) => !isNumber(seen[w]))) return null;
    return !turning() && WHEELS.every((w) => Math.abs(seen[w]) <= rimRpm(w, 0.1));
  }

  const shown = (x) => (isNumber(x) ? Math.round(x * 10) / 10 : null);
  function wheelFields() {
    const goal = (w) => (mode === "armed" ? shown(target?.[w].rpm) : null);
    const fields = (w) => ({
      [`${w}_out_rpm`]: shown(out[w]), [`${w}_target_rpm`]: goal(w), [`${w}_rpm`]: shown(seen?.[w]),
    });
    return { ...fields("top"), ...fields("bottom") };
  }

  function refuse(kind, reason, now) { // L27: told in the next status
    note("message_refused", now, { kind, reason });
    refusals.push({ n: ++refused, kind, reason });
    keepLast(refusals, 8);
  }

  function enter(to, reason, now) {
    if (to === mode && reason === why) return;
    note("mode", now, { mode: to, reason, was: mode, exits: seenExits() });
    [mode, why, changed] = [to, reason, true];
  }

  // Feeds: L14, L17, L30.

  function tell(id, result, now, reason) {
    results.push(reason ? { id, result, at_s: now, reason } : { id, result, at_s: now });
    keepLast(results, 16);
    changed = true;
  }

  function spend(id, at_s, now, reason) {
    waiting.delete(id);
    spent.set(id, at_s);
    if (spent.size > 64) {
      const lowest = Math.min(...spent.keys());
      spent.delete(lowest);
      floor = Math.max(floor, lowest);
    }
    tell(id, reason ? "refused" : "done", now, reason);
    if (reason) note("feed_refused", now, { id, planned_s: at_s, reason });
    else note("feed", now, { id, planned_s: at_s, epoch, ...wheelFields() });
  }

  function closeFeed(reason, after, now) {
    opensAfter = after;
    for (const [id, at_s] of [...waiting]) spend(id, at_s, now, reason);
    if (!feeding) return;
    [feeding, changed] = [false, true];
    note("feed_closed", now, { reason });
  }

  function ask(m, now) {
    for (const { id, at_s } of m.feeds ?? []) {
      if (id <= floor || spent.has(id)) {
        const same = spent.has(id) && Math.abs(spent.get(id) - at_s) <= LATE_S;
        if (!same && !results.some((r) => r.id === id && r.reason === "id used")) tell(id, "refused", now, "id used");
      } else if (mode !== "armed") spend(id, at_s, now, `mode is ${mode}`);
      else if (!m.feeding) spend(id, at_s, now, "feeding is false");
      else waiting.set(id, at_s);
    }
  }

  function obstacle(at_s, now) {
    if (mode !== "armed") return `mode is ${mode}`;
    if (!feeding || !target) return "feed is closed";
    if (now - at_s > LATE_S) return `${Math.round((now - at_s) * 1000)} ms late`;
    for (const w of facts.feedback === "none" ? [] : WHEELS) {
      const speeds = samples.filter((s) => now - s.at_s <= 0.1 && isNumber(s[w])).map((s) => s[w]);
      if (!speeds.length || !isNumber(seen[w])) return `${w} wheel: speed not known`;
      const [middle, asked] = [median(speeds), target[w].rpm];
      const band = Math.max(0.02 * Math.abs(asked), rimRpm(w, 0.1));
      for (const rpm of [middle, seen[w]]) {
        if (Math.abs(rpm - asked) > band) return `${w} wheel at ${rpm.toFixed(0)} rpm, target ${asked}`;
      }
    }
    const off = target.tilt && isNumber(seen.tilt_deg) && Math.abs(seen.tilt_deg - target.tilt.deg) > BAND_DEG;
    return off ? `tilt at ${seen.tilt_deg.toFixed(1)} degrees, target ${target.tilt.deg}` : null;
  }

  function pushDue(now) {
    const due = [...waiting].filter(([, at_s]) => at_s <= now).sort((a, b) => a[1] - b[1]);
    for (const [id, at_s] of due) {
      const reason = obstacle(at_s, now);
      if (!reason) feedOne();
      spend(id, at_s, now, reason);
    }
  }

  // Modes and orders: L16, L18 to L23.

  const drop = () => { [queue, target] = [[], null]; };
  const judge = () => { judged = Math.max(judged, epoch); };

  function windDown(reason, now) {
    cut();
    judge();
    enter(rest(now) ? "disarmed" : "stopping", reason, now);
  }

  function trips(reason, now) {
    closeFeed(reason, seq, now);
    cut();
    drop();
    judge();
    trip = reason;
    enter("tripped", trip, now);
  }

  function watch(now, asleep) { // L16, L31
    knownAsleep ??= asleep;
    const slept = asleep - knownAsleep;
    if (slept > SLEPT_S) {
      knownAsleep = asleep;
      note("slept", now, { slept_s: Number(slept.toFixed(3)), mode });
    }
    if (mode === "tripped" || (mode !== "armed" && !turning())) return;
    if (slept > SLEPT_S) {
      trips(`machine-slept: the computer slept for ${slept.toFixed(1)} s`, now);
      return;
    }
    const age = now - Math.max(accepted ?? -Infinity, watchFrom);
    const nextAge = age + TURN_MS / 1000;
    if (nextAge > feedAfter) closeFeed("no setpoint", seq, now);
    if (nextAge <= stopAfter) return;
    note("watchdog", now, { age_ms: shown(age * 1000) });
    trips(`no setpoint for ${Math.round(age * 1000)} ms`, now);
  }

  function newEpoch(to, now) {
    closeFeed(`epoch ${epoch} ended`, -1, now);
    [queue, epoch, seq, changed] = [[], to, -1, true];
    note("epoch", now, { epoch });
  }

  function stop(kind, now) {
    note(kind, now, { mode, exits: seenExits() });
    cut();
    closeFeed(kind, seq, now);
    drop();
    judge();
    if (mode === "armed") windDown(kind, now);
  }

  function arm(now) {
    if (mode === "armed" || epoch <= judged) return;
    judge();
    let reason = null;
    if (mode !== "disarmed") reason = `mode is ${mode}`;
    else if (!hash) reason = "limits not agreed";
    else if (!rest(now)) reason = "not at rest, or rest not known";
    if (reason) return enter(mode, `${mode === "tripped" ? `${trip}; ` : ""}arm refused: ${reason}`, now);
    drop();
    watchFrom = now;
    enter("armed", null, now);
  }

  function clear(now) {
    if (mode !== "tripped") return;
    if (rest(now)) enter("disarmed", null, now);
    else enter("tripped", `${trip}; clear refused: not at rest`, now);
  }

  // Messages: L1 to L14.

  function hello(m, now) {
    const fresh = m.session !== session;
    const [feedMs, stopMs] = [m.watchdog_feed_ms, m.watchdog_stop_ms];
    const timely = feedMs >= 40 && feedMs <= 250 && stopMs >= feedMs && stopMs <= 500;
    if (!timely) return refuse("hello", "watchdog times", now);
    if (fresh && past.includes(m.session)) return refuse("hello", "an old session", now);
    if (fresh) adopt(m.session, now);
    if (fresh || mode === "disarmed") {
      const reason = beyond(m.limits);
      [limits, hash, changed] = [reason ? own : m.limits, reason ? null : m.limits_hash, true];
      if (reason) refuse("hello", `limits not taken: ${reason}`, now);
      else [feedAfter, stopAfter] = [feedMs / 1000, stopMs / 1000];
    }
    if (fresh) sendHello(now);
  }

  function adopt(to, now) {
    if (session !== null) past.push(session);
    keepLast(past, 16);
    closeFeed("another session", -1, now);
    drop();
    [session, epoch, seq, judged, floor, accepted, changed] = [to, 0, -1, -1, -1, null, true];
    [waiting, spent, heard, watchFrom] = [new Map(), new Map(), now, now];
    results.length = 0;
    note("session", now, { session });
    if (mode === "armed") windDown("another session", now);
  }

  function beyond(theirs) {
    for (const w of WHEELS) {
      const [a, b] = [theirs[w], own[w]];
      if (a.low_rpm < b.low_rpm || a.high_rpm > b.high_rpm || rates.some((r) => a[r] > b[r])) return w;
    }
    for (const axis of ANGLES) {
      const [a, b] = [theirs[axis], own[axis]];
      if (a && !b) return axis;
      if (a && (a.low_deg < b.low_deg || a.high_deg > b.high_deg || a.slew_deg_per_s > b.slew_deg_per_s)) return axis;
    }
    return null;
  }

  function wrong(m, now) { // L8
    for (const w of WHEELS) {
      const within = m[w].rpm >= limits[w].low_rpm && m[w].rpm <= limits[w].high_rpm;
      if (m[w].rpm !== 0 && !within) return `${w}.rpm outside the limits`;
    }
    for (const axis of ANGLES) {
      const [turn, reach] = [m[axis], limits[axis]];
      const within = turn && reach && turn.deg >= reach.low_deg && turn.deg <= reach.high_deg;
      if (turn && !within) return `${axis} outside the limits`;
    }
    if (!(m.until_s > m.at_s && m.until_s - m.at_s <= STAY_S)) return "until_s not after at_s, or too long after it";
    const feeds = m.feeds ?? [];
    if (feeds.length > FEEDS) return `${feeds.length} feeds`;
    return [m, ...feeds].some((x) => x.at_s - now > AHEAD_S) ? "a moment too far ahead" : null;
  }

  function setpoint(m, now) {
    let reason = wrong(m, now);
    if (!reason && m.session !== session) reason = "another session";
    if (!reason && m.epoch < epoch) reason = `epoch ${m.epoch}; current is ${epoch}`;
    if (reason) return refuse("setpoint", reason, now);
    if (m.epoch > epoch) newEpoch(m.epoch, now);
    if (m.seq <= seq) return refuse("setpoint", `seq ${m.seq}; newest is ${seq}`, now);
    if (now > m.until_s) return refuse("setpoint", "its until_s is past", now);
    const before = queue.filter((q) => q.at_s < m.at_s);
    if (before.length >= QUEUE) return refuse("setpoint", "queue full", now);
    [seq, accepted] = [m.seq, now];
    if (!m.feeding) closeFeed("feeding is false", seq, now);
    if (mode === "armed") queue = [...before, m];
    ask(m, now);
  }

  function receive(bytes, now, asleep) {
    watch(now, asleep); // L1
    const m = bytes.length > FRAME_BYTES ? null : parse(bytes);
    if (!isObject(m)) return refuse("frame", "no JSON object of at most 16384 bytes", now);
    const good = m.v === 1 && Object.hasOwn(SHAPES, m.kind) && SHAPES[m.kind](m);
    const stops = m.kind === "stop" || m.kind === "disarm";
    const ours = session !== null && m.session === session;
    if (stops) { // L18, L19
      if (good && ours && m.epoch > epoch) newEpoch(m.epoch, now);
      stop(m.kind, now);
    }
    if (!good) return refuse("frame", "v, kind or a field is missing or wrong", now);
    if (ours && m.kind !== "hello") heard = now;
    if (m.kind === "ping") send({ v: 1, kind: "pong", n: m.n, now_s: now });
    else if (m.kind === "hello") hello(m, now);
    else if (m.kind === "setpoint") setpoint(m, now);
    else if (!stops) {
      if (!ours) return refuse(m.kind, "another session", now);
      if (m.epoch < epoch) return refuse(m.kind, `epoch ${m.epoch}; current is ${epoch}`, now);
      if (m.epoch > epoch) newEpoch(m.epoch, now);
      if (m.kind === "arm") arm(now);
      else clear(now);
    }
    return undefined;
  }

  // Between messages: L15, L17, L22, L23, L25, L26, L28.

  function look(now) {
    const first = seen === null;
    seen = read(now);
    samples.push({ at_s: now, top: seen.top, bottom: seen.bottom });
    keepLast(samples, 32);
    while (facts.exit_sensor && exitCount < (seen.exits ?? 0)) {
      exits.push({ n: ++exitCount, at_s: now });
      changed = true;
    }
    keepLast(exits, 16);
    if (!first) return;
    tilt = seen.tilt_deg ?? own.tilt?.low_deg ?? null;
    for (const w of WHEELS) {
      const turns = Math.abs(seen[w] ?? 0) > rimRpm(w, 0.1);
      if (turns) out[w] = Math.min(Math.max(seen[w], own[w].low_rpm), own[w].high_rpm);
    }
    if (turning()) {
      watchFrom = now;
      enter("stopping", "wheels were turning when the driver began");
    }
  }

  function follow(now) {
    const due = queue.filter((q) => q.at_s <= now);
    if (due.length) [target, queue] = [due.at(-1), queue.filter((q) => q.at_s > now)];
    if (target && now > target.until_s) target = null;
    if (!target && feeding) closeFeed("target expired", seq, now);
    const opens = target?.feeding && target.epoch === epoch && target.seq > opensAfter;
    if (!opens || feeding) return;
    [feeding, changed] = [true, true];
    note("feed_opened", now, { seq: target.seq });
  }

  function move(now) {
    const dt = moved === null ? 0 : Math.min(Math.max(now - moved, 0), 0.05);
    const aim = mode === "armed" ? target : null;
    moved = now;
    for (const w of WHEELS) {
      if (aim) {
        const to = out[w] * aim[w].rpm < 0 ? 0 : aim[w].rpm;
        const most = Math.abs(to) > Math.abs(out[w]) ? limits[w].up_rpm_per_s : limits[w].down_rpm_per_s;
        out[w] = ramped(out[w], to, Math.min(aim[w].ramp_rpm_per_s, most) * dt);
        limited[w] = out[w] !== aim[w].rpm && aim[w].ramp_rpm_per_s > most;
      } else if (mode !== "armed") {
        [out[w], limited[w]] = [ramped(out[w], 0, limits[w].quick_rpm_per_s * dt), false];
      }
      setWheel(w, out[w]);
    }
    if (turning()) turned = now;
    if (!aim?.tilt) return;
    tilt = ramped(tilt, aim.tilt.deg, Math.min(aim.tilt.slew_deg_per_s, limits.tilt.slew_deg_per_s) * dt);
    limited.tilt = tilt !== aim.tilt.deg && aim.tilt.slew_deg_per_s > limits.tilt.slew_deg_per_s;
    setTilt(tilt);
  }

  function turn(now, asleep) {
    watch(now, asleep);
    look(now);
    if (mode === "armed") follow(now);
    move(now);
    pushDue(now);
    if (mode === "stopping" && !turning()) {
      if (rest(now)) enter("disarmed", "at rest after a stop", now);
      else if (now - turned > 1.5 * facts.spin_down_s) enter("disarmed", "outputs at zero, rest not seen", now);
    }
    if (now >= sampleDue && (turning() || rest(now) !== true)) {
      sampleDue = Math.max(sampleDue + 0.02, now + 0.005);
      note("wheels", now, wheelFields());
    }
    if ((session === null || now - heard >= 1) && now - helloSent >= 1) sendHello(now);
    if (changed || now >= statusDue) sendStatus(now);
  }

  function sendHello(now) {
    helloSent = now;
    send({ v: 1, kind: "hello", boot, now_s: now, ...facts });
  }

  function sendStatus(now) {
    const still = rest(now);
    const speed = (w) => (isNumber(seen?.[w]) ? seen[w] : undefined);
    const wheel = (w) => ({ target_rpm: out[w], measured_rpm: speed(w), limited: limited[w] });
    const known = facts.feedback === "none" ? "assumed" : "measured";
    const unread = facts.feedback === "none" ? [] : WHEELS.filter((w) => speed(w) === undefined);
    changed = false;
    if (now >= statusDue) statusDue = Math.max(statusDue + 0.02, now + 0.005);
    send({ // what is undefined is left out of the frame
      v: 1, kind: "status", boot, now_s: now, session: session ?? undefined, limits_hash: hash ?? undefined, epoch,
      seq: seq < 0 ? undefined : seq, mode, mode_reason: why?.slice(0, 200), feeding, agitator: false,
      top: wheel("top"), bottom: wheel("bottom"),
      tilt: own.tilt && { target_deg: tilt ?? own.tilt.low_deg, measured_deg: seen?.tilt_deg, limited: limited.tilt },
      at_rest: still ?? undefined, rest_known: still === null ? "unknown" : known,
      feeds: results, exits, refusals, faults: unread.map((part) => ({ part, what: "speed not readable" })),
      watchdog_age_ms: accepted === null ? undefined : Math.max(0, now - accepted) * 1000,
    });
  }

  note("boot", began, { driver: facts.driver, boot, feedback: facts.feedback, simulated: facts.simulated });
  return {
    receive(bytes, now, asleep) {
      receive(bytes, now, asleep);
      if (changed) sendStatus(now);
    },
    refuse,
    turn,
    end(now) { // L29
      closeFeed("driver ends", seq, now);
      cut();
      for (const w of WHEELS) setWheel(w, 0);
      note("end", now, { mode });
    },
  };
}
