/* A motor driver in C over libzmq: the clauses of LINK.md (L1 to L31) over the board of board.h. One thread, no
   allocation after the start. It performs no safety function: fit a switch that cuts the motors' supply. */
#include "driver.h"
#include <stdio.h>

enum { QUEUE = 128, FEEDS = 32, SAMPLES = 32, PAST = 16, SPENT = 64 };
static const double PI = 3.14159265358979, LATE = 0.020, AHEAD = 2.0, STAY = 1.0, BAND = 0.100, BAND_DEG = 1.0;

struct driver d = {.changed = true, .seq = -1, .accepted_s = -INFINITY, .hello_s = -INFINITY};
static bool have_target, first_turn = true;
static char trip[100], past[PAST][65];
static int pasts, queued, waiting, spents, samples;
static long long judged = -1, opens_after = -1, floor_id = -1;
static double watch_from_s, watch_feed_s = 0.250, watch_stop_s = 0.500, turned_s, moved_s, heard_s = -INFINITY;
static double known_asleep = NAN;
static struct target queue[QUEUE], target;
static struct feed feeds[FEEDS], spent[SPENT];
static struct { double at_s, rpm[2]; } sample[SAMPLES];

static bool turning(void) { return d.out_rpm[0] != 0 || d.out_rpm[1] != 0; }

static double rim_rpm(int w, double mps) { return mps * 60 / (PI * d.board->diameter_m[w]); }

/* L24: 1 at rest, 0 not, -1 not known. */
int at_rest(double now) {
    if (!d.board->measured) return turning() ? 0 : now - turned_s >= d.board->spin_down_s ? 1 : -1;
    if (isnan(d.seen.rpm[0]) || isnan(d.seen.rpm[1])) return -1;
    return !turning() && fabs(d.seen.rpm[0]) <= rim_rpm(0, 0.10) && fabs(d.seen.rpm[1]) <= rim_rpm(1, 0.10);
}

/* Feeds: L14, L17, L30. */

static struct feed *spent_of(long long id) {
    for (int i = 0; i < spents; i++) if (spent[i].id == id) return &spent[i];
    return NULL;
}

static void tell(long long id, bool done, const char *reason, double now) {
    if (d.results == RESULTS) memmove(d.result, d.result + 1, sizeof *d.result * --d.results);
    struct result *r = &d.result[d.results++];
    r->id = id, r->at_s = now, r->done = done, d.changed = true;
    snprintf(r->why, sizeof r->why, "%s", reason);
}

static void spend(struct feed f, bool done, const char *reason, double now) {
    if (spents == SPENT) { /* forget the lowest: all below it stay used */
        int low = 0;
        for (int i = 1; i < spents; i++) if (spent[i].id < spent[low].id) low = i;
        if (spent[low].id > floor_id) floor_id = spent[low].id;
        spent[low] = spent[--spents];
    }
    spent[spents++] = f;
    tell(f.id, done, reason, now);
    if (done) note_feed(&f, have_target ? &target : NULL, now);
    else note("feed_refused", now, "\"id\":%lld,\"planned_s\":%.6f,\"reason\":\"%s\"", f.id, f.at_s, reason);
}

static void close_feed(const char *reason, long long after, double now) {
    opens_after = after;
    while (waiting) spend(feeds[--waiting], false, reason, now);
    if (d.open) d.open = false, d.changed = true, note("feed_closed", now, "\"reason\":\"%s\"", reason);
}

static void ask(const struct target *t, double now) {
    for (int i = 0; i < t->feeds; i++) {
        struct feed f = t->feed[i], *used = spent_of(f.id);
        int at = 0;
        while (at < waiting && feeds[at].id != f.id) at++;
        if (used || f.id <= floor_id) {
            bool told = used && fabs(used->at_s - f.at_s) <= LATE;
            for (int r = 0; r < d.results; r++)
                told = told || (d.result[r].id == f.id && !strcmp(d.result[r].why, "id used"));
            if (!told) tell(f.id, false, "id used", now);
        } else if (d.mode != ARMED) spend(f, false, "not armed", now);
        else if (!t->feeding) spend(f, false, "feeding is false", now);
        else if (at == FEEDS) spend(f, false, "too many wait", now);
        else feeds[at] = f, waiting += at == waiting;
    }
}

static const char *obstacle(double at_s, double now) {
    if (d.mode != ARMED) return "not armed";
    if (!d.open || !have_target) return "feed is closed";
    if (now - at_s > LATE) return "late";
    for (int w = 0; d.board->measured && w < 2; w++) {
        double sorted[SAMPLES];
        int n = 0;
        for (int i = 0; i < samples; i++) {
            double rpm = sample[i].rpm[w];
            if (isnan(rpm) || now - sample[i].at_s > BAND) continue;
            int at = n++;
            for (; at && sorted[at - 1] > rpm; at--) sorted[at] = sorted[at - 1];
            sorted[at] = rpm;
        }
        if (!n || isnan(d.seen.rpm[w])) return "wheel speed not known";
        double middle = (sorted[n / 2] + sorted[(n - 1) / 2]) / 2;
        double band = fmax(0.02 * fabs(target.rpm[w]), rim_rpm(w, 0.10));
        if (fmax(fabs(middle - target.rpm[w]), fabs(d.seen.rpm[w] - target.rpm[w])) > band) return "wheel not in band";
    }
    bool off = target.tilts && fabs(d.seen.tilt_deg - target.tilt_deg) > BAND_DEG; /* not measured: false */
    return off ? "tilt not in place" : NULL;
}

static void push_due(double now) {
    for (int i = 0; i < waiting;) {
        struct feed f = feeds[i];
        if (f.at_s > now) { i++; continue; }
        feeds[i] = feeds[--waiting];
        const char *reason = obstacle(f.at_s, now);
        if (!reason) board_feed();
        spend(f, !reason, reason ? reason : "", now);
    }
}

/* Modes and orders: L16, L18 to L24. */

static void enter(enum mode m, const char *reason, double now) {
    if (m == d.mode && !strcmp(reason, d.why)) return;
    note("mode", now, "\"mode\":\"%s\",\"reason\":\"%s\",\"was\":\"%s\",\"exits\":%s", MODE[m], reason,
         MODE[d.mode], note_exits());
    d.mode = m, d.changed = true;
    if (reason != d.why) snprintf(d.why, sizeof d.why, "%s", reason);
}

static void drop(void) { queued = 0, have_target = false; }

static void wind_down(const char *reason, double now) {
    board_cut();
    if (judged < d.epoch) judged = d.epoch;
    enter(at_rest(now) == 1 ? DISARMED : STOPPING, reason, now);
}

/* L16, L31: `asleep` is how long the computer has slept in all, which `now` does not count. */
static void watch(double now, double asleep) {
    double age = now - fmax(d.accepted_s, watch_from_s), next_age = age + TURN, slept = asleep - known_asleep;
    bool sleeps = slept > 0.500; /* the first time it is NAN: no */
    if (sleeps) note("slept", now, "\"slept_s\":%.3f,\"mode\":\"%s\"", slept, MODE[d.mode]);
    if (sleeps || isnan(known_asleep)) known_asleep = asleep;
    if (d.mode == TRIPPED || (d.mode != ARMED && !turning())) return;
    if (sleeps || next_age > watch_feed_s) close_feed(sleeps ? "machine-slept" : "no setpoint", d.seq, now);
    if (!sleeps && next_age <= watch_stop_s) return;
    if (!sleeps) note("watchdog", now, "\"age_ms\":%.1f", age * 1000);
    board_cut(), drop();
    if (judged < d.epoch) judged = d.epoch;
    if (sleeps) snprintf(trip, sizeof trip, "machine-slept: the computer slept for %.1f s", slept);
    else snprintf(trip, sizeof trip, "no setpoint for %.0f ms", age * 1000);
    enter(TRIPPED, trip, now);
}

static void new_epoch(long long e, double now) {
    close_feed("its epoch ended", -1, now);
    queued = 0, d.epoch = e, d.seq = -1, d.changed = true;
    note("epoch", now, "\"epoch\":%lld", e);
}

static void stop(const char *kind, double now) {
    note(kind, now, "\"mode\":\"%s\",\"exits\":%s", MODE[d.mode], note_exits());
    board_cut(), close_feed(kind, d.seq, now), drop();
    if (judged < d.epoch) judged = d.epoch;
    if (d.mode == ARMED) wind_down(kind, now);
}

static void arm(double now) {
    if (d.mode == ARMED || d.epoch <= judged) return;
    judged = d.epoch;
    const char *reason = NULL, *before = d.mode == TRIPPED ? trip : MODE[d.mode];
    if (d.mode != DISARMED) reason = "not disarmed";
    else if (!*d.hash) reason = "limits not agreed";
    else if (at_rest(now) != 1) reason = "not at rest, or rest not known";
    if (reason) {
        char text[sizeof d.why];
        snprintf(text, sizeof text, "%s; arm refused: %s", before, reason);
        enter(d.mode, text, now);
        return;
    }
    drop();
    watch_from_s = now;
    enter(ARMED, "", now);
}

static void clear(double now) {
    char text[sizeof d.why];
    snprintf(text, sizeof text, "%s; clear refused: not at rest", trip);
    if (d.mode == TRIPPED) enter(at_rest(now) == 1 ? DISARMED : TRIPPED, at_rest(now) == 1 ? "" : text, now);
}

/* Reading: L2 to L14. */

static const char *beyond(const struct limits *l, int at) {
    for (int w = 0; w < 2; w++) {
        const struct wheel_limits *a = &l->wheel[w], *b = &d.own.wheel[w];
        if (a->low_rpm < b->low_rpm || a->high_rpm > b->high_rpm || a->up_rpm_per_s > b->up_rpm_per_s ||
            a->down_rpm_per_s > b->down_rpm_per_s || a->quick_rpm_per_s > b->quick_rpm_per_s)
            return "limits not taken: those of a wheel are beyond its own";
    }
    bool more = l->tilt_low < d.own.tilt_low || l->tilt_high > d.own.tilt_high || l->tilt_slew > d.own.tilt_slew;
    if (l->tilts && more) return "limits not taken: those of tilt are beyond its own";
    bool others = json_get(&json, at, "pan") >= 0 || json_get(&json, at, "roll") >= 0;
    return others ? "limits not taken: no such axis" : NULL;
}

static void take_hello(double now) {
    char s[65], name[201], h[17];
    struct limits l = {0};
    int at = json_get(&json, 0, "limits");
    double feed_s = json_double(&json, 0, "watchdog_feed_ms") / 1000;
    double stop_s = json_double(&json, 0, "watchdog_stop_ms") / 1000;
    bool words = read_word(0, "session", s, 4, 64) && read_word(0, "daemon", name, 0, 200);
    if (!words || !read_word(0, "limits_hash", h, 16, 16) || !read_limits(at, &l)) {
        refuse("frame", "hello: a field is missing or wrong", now);
        return;
    }
    if (!(feed_s >= 0.040 && feed_s <= 0.250 && stop_s >= feed_s && stop_s <= 0.500)) {
        refuse("hello", "watchdog times", now);
        return;
    }
    bool fresh = strcmp(s, d.session) != 0;
    for (int i = 0; i < pasts; i++) if (!strcmp(s, past[i])) { refuse("hello", "an old session", now); return; }
    if (fresh) {
        if (pasts == PAST) memmove(past, past + 1, sizeof *past * (size_t)--pasts);
        if (*d.session) memcpy(past[pasts++], d.session, sizeof d.session);
        close_feed("another session", -1, now), drop();
        memcpy(d.session, s, sizeof d.session);
        spents = d.results = 0, floor_id = -1, d.epoch = 0, d.seq = judged = -1, d.accepted_s = -INFINITY;
        heard_s = watch_from_s = now, d.changed = true;
        note("session", now, "\"session\":\"%s\"", s);
        if (d.mode == ARMED) wind_down("another session", now);
    }
    if (fresh || d.mode == DISARMED) {
        const char *reason = beyond(&l, at);
        d.in_force = reason ? d.own : l, d.changed = true;
        snprintf(d.hash, sizeof d.hash, "%s", reason ? "" : h);
        if (reason) refuse("hello", reason, now);
        else watch_feed_s = feed_s, watch_stop_s = stop_s;
    }
    if (fresh) send_hello(now);
}

/* L8. */
static const char *wrong(const struct target *t, double now) {
    for (int w = 0; w < 2; w++) {
        const struct wheel_limits *l = &d.in_force.wheel[w];
        if (t->rpm[w] != 0 && !(t->rpm[w] >= l->low_rpm && t->rpm[w] <= l->high_rpm)) return "rpm outside the limits";
    }
    bool reaches = d.in_force.tilts && t->tilt_deg >= d.in_force.tilt_low && t->tilt_deg <= d.in_force.tilt_high;
    if (t->tilts && !reaches) return "tilt outside the limits";
    if (json_get(&json, 0, "pan") >= 0 || json_get(&json, 0, "roll") >= 0) return "no such axis";
    if (!(t->until_s > t->at_s && t->until_s - t->at_s <= STAY)) return "until_s not after at_s, or too long after it";
    if (t->at_s - now > AHEAD) return "at_s too far ahead";
    if (t->feeds > 8) return "more than 8 feeds";
    for (int i = 0; i < t->feeds; i++) if (t->feed[i].at_s - now > AHEAD) return "a feed too far ahead";
    return NULL;
}

static void take_setpoint(bool ours, double now) {
    struct target t = {0};
    if (!read_setpoint(&t)) { refuse("frame", "setpoint: a field is missing or wrong", now); return; }
    const char *reason = wrong(&t, now);
    if (!reason) reason = !ours ? "another session" : t.epoch < d.epoch ? "an older epoch" : NULL;
    if (!reason && t.epoch > d.epoch) new_epoch(t.epoch, now);
    if (!reason) reason = t.seq <= d.seq ? "an old seq" : now > t.until_s ? "its until_s is past" : NULL;
    int keep = queued;
    while (keep && queue[keep - 1].at_s >= t.at_s) keep--;
    if (!reason && keep == QUEUE) reason = "queue full";
    if (reason) { refuse("setpoint", reason, now); return; }
    d.seq = t.seq, d.accepted_s = now;
    if (!t.feeding) close_feed("feeding is false", d.seq, now);
    if (d.mode == ARMED) queue[keep] = t, queued = keep + 1;
    ask(&t, now);
}

void driver_take(const char *text, size_t size, double now, double asleep) {
    char kind[16] = "", s[201];
    watch(now, asleep); /* L1 */
    json = (struct json){.at = text, .end = text + size, .count = 0};
    bool good = size <= FRAME && json_read(&json, 0);
    if (good) json_blank(&json); /* of a frame that is too long only the beginning is here */
    if (!good || json.at != json.end || json.value[0].kind != J_OBJECT) {
        refuse("frame", "no JSON object of at most 16384 bytes", now);
        return;
    }
    bool known = read_word(0, "kind", kind, 1, 15), version = json_count(&json, 0, "v") == 1;
    bool stops = !strcmp(kind, "stop") || !strcmp(kind, "disarm");
    bool starts = !strcmp(kind, "arm") || !strcmp(kind, "clear"), sets = !strcmp(kind, "setpoint");
    long long e = json_count(&json, 0, "epoch");
    bool addressed = read_word(0, "session", s, 0, 200), ours = addressed && *d.session && !strcmp(s, d.session);
    if (stops) { /* L18, L19 */
        if (version && ours && e > d.epoch) new_epoch(e, now);
        stop(strcmp(kind, "stop") ? "disarm" : "stop", now);
    }
    if (!known || !version || ((stops || starts || sets) && !addressed) || ((stops || starts) && e < 0)) {
        refuse("frame", "kind, v, session or epoch missing or wrong", now);
        return;
    }
    if (ours && strcmp(kind, "hello")) heard_s = now;
    if (!strcmp(kind, "ping")) {
        long long n = json_count(&json, 0, "n");
        if (n < 0) { refuse("frame", "ping: n", now); return; }
        send_pong(n, now);
    } else if (!strcmp(kind, "hello")) take_hello(now);
    else if (sets) take_setpoint(ours, now);
    else if (starts) {
        if (!ours || e < d.epoch) {
            refuse(*kind == 'a' ? "arm" : "clear", ours ? "an older epoch" : "another session", now);
            return;
        }
        if (e > d.epoch) new_epoch(e, now);
        if (*kind == 'a') arm(now);
        else clear(now);
    } else if (!stops) refuse("frame", "unknown kind", now);
}

/* Between messages: L15, L17, L22, L23, L25, L26, L28. */

static double ramped(double value, double goal, double most) {
    return goal > value ? fmin(goal, value + most) : fmax(goal, value - most);
}

static void move(double now) {
    double dt = moved_s > 0 ? fmin(fmax(now - moved_s, 0), 0.050) : 0;
    bool follows = d.mode == ARMED && have_target;
    moved_s = now;
    for (int w = 0; w < 2; w++) {
        const struct wheel_limits *l = &d.in_force.wheel[w];
        if (follows) {
            double goal = d.out_rpm[w] * target.rpm[w] < 0 ? 0 : target.rpm[w];
            double most = fabs(goal) > fabs(d.out_rpm[w]) ? l->up_rpm_per_s : l->down_rpm_per_s;
            d.out_rpm[w] = ramped(d.out_rpm[w], goal, fmin(target.ramp[w], most) * dt);
            d.limited[w] = d.out_rpm[w] != target.rpm[w] && target.ramp[w] > most;
        } else if (d.mode != ARMED) {
            d.out_rpm[w] = ramped(d.out_rpm[w], 0, l->quick_rpm_per_s * dt), d.limited[w] = false;
        }
        board_wheel(w, d.out_rpm[w]);
    }
    if (turning()) turned_s = now;
    if (!follows || !target.tilts) return;
    d.tilt_deg = ramped(d.tilt_deg, target.tilt_deg, fmin(target.slew, d.in_force.tilt_slew) * dt);
    d.limited[2] = d.tilt_deg != target.tilt_deg && target.slew > d.in_force.tilt_slew;
    board_tilt(d.tilt_deg);
}

static void look(double now) {
    board_read(now, &d.seen);
    if (samples == SAMPLES) memmove(sample, sample + 1, sizeof *sample * (size_t)--samples);
    sample[samples].at_s = now, memcpy(sample[samples++].rpm, d.seen.rpm, sizeof d.seen.rpm);
    for (; d.board->exit_sensor && d.exit_count < d.seen.exits; d.exit_count++, d.changed = true)
        d.exits[d.exit_count % EXITS] = (struct ball){d.exit_count + 1, now};
    for (int w = 0; first_turn && w < 2; w++) /* L22 */
        if (fabs(d.seen.rpm[w]) > rim_rpm(w, 0.10))
            d.out_rpm[w] = fmin(fmax(d.seen.rpm[w], d.own.wheel[w].low_rpm), d.own.wheel[w].high_rpm);
    if (first_turn && turning()) watch_from_s = now, enter(STOPPING, "wheels were turning when the driver began", now);
    if (first_turn) d.tilt_deg = isnan(d.seen.tilt_deg) ? d.own.tilt_low : d.seen.tilt_deg;
    first_turn = false;
}

void driver_turn(double now, double asleep) {
    watch(now, asleep);
    look(now);
    if (d.mode == ARMED) {
        int due = 0;
        while (due < queued && queue[due].at_s <= now) due++;
        if (due) {
            target = queue[due - 1], have_target = true, queued -= due;
            memmove(queue, queue + due, sizeof *queue * (size_t)queued);
        }
        if (have_target && now > target.until_s) have_target = false;
        if (!have_target && d.open) close_feed("target expired", d.seq, now);
        bool opens = have_target && target.feeding && target.epoch == d.epoch && target.seq > opens_after;
        if (opens && !d.open) d.open = d.changed = true, note("feed_opened", now, "\"seq\":%lld", target.seq);
    }
    move(now);
    push_due(now);
    if (d.mode == STOPPING && !turning()) {
        if (at_rest(now) == 1) enter(DISARMED, "at rest after a stop", now);
        else if (now - turned_s > 1.5 * d.board->spin_down_s) enter(DISARMED, "outputs at zero, rest not seen", now);
    }
    if (turning() || at_rest(now) != 1) note_wheels(d.mode == ARMED && have_target ? &target : NULL, now);
    if ((!*d.session || now - heard_s >= 1) && now - d.hello_s >= 1) send_hello(now);
    if (d.changed || now - d.status_s >= 0.020 - 1e-4) send_status(now);
}

void driver_begin(double now) {
    memcpy(d.own.wheel, d.board->wheel, sizeof d.own.wheel);
    d.own.tilts = true, d.own.tilt_low = d.board->tilt_low_deg, d.own.tilt_high = d.board->tilt_high_deg;
    d.own.tilt_slew = d.board->tilt_slew_deg_per_s;
    d.in_force = d.own;
    turned_s = watch_from_s = now;
    const char *feedback = d.board->measured ? "measured" : "none", *simulated = d.board->simulated ? "true" : "false";
    note("boot", now, "\"driver\":\"%s\",\"boot\":\"%s\",\"feedback\":\"%s\",\"simulated\":%s", d.board->name, d.boot,
         feedback, simulated);
}

/* L29. */
void driver_end(double now) {
    close_feed("driver ends", d.seq, now);
    board_cut();
    board_wheel(0, 0), board_wheel(1, 0);
    note("end", now, "\"mode\":\"%s\"", MODE[d.mode]);
}
