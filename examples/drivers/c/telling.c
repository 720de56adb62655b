/* What the driver sends: hello, status and pong. A frame is written into one buffer and sent at once, or not at all. */
#include "driver.h"
#include <math.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <zmq.h>

static char frame[FRAME];
static size_t length;

__attribute__((format(printf, 1, 2))) static void say(const char *format, ...) {
    va_list words;
    va_start(words, format);
    int n = vsnprintf(frame + length, sizeof frame - length, format, words);
    va_end(words);
    length = n < 0 || (size_t)n >= sizeof frame - length ? sizeof frame - 1 : length + (size_t)n;
}

static const char *yes(bool is) { return is ? "true" : "false"; }

static void post(void) {
    zmq_send(d.socket, frame, length, ZMQ_DONTWAIT);
    length = 0;
}

/* L27: told in the next status. */
void refuse(const char *kind, const char *reason, double now) {
    static long refused;
    if (d.refusals == REFUSALS) memmove(d.refusal, d.refusal + 1, sizeof *d.refusal * (size_t)--d.refusals);
    struct refusal *r = &d.refusal[d.refusals++];
    r->n = ++refused, r->kind = kind;
    snprintf(r->why, sizeof r->why, "%s", reason);
    note("message_refused", now, "\"kind\":\"%s\",\"reason\":\"%s\"", kind, reason);
}

void send_hello(double now) {
    d.hello_s = now;
    say("{\"v\":1,\"kind\":\"hello\",\"driver\":\"%s\",\"boot\":\"%s\",\"now_s\":%.6f,", d.board->name, d.boot, now);
    say("\"limits\":{");
    for (int w = 0; w < 2; w++) {
        const struct wheel_limits *l = &d.board->wheel[w];
        say("\"%s\":{\"low_rpm\":%.3f,\"high_rpm\":%.3f,", WHEEL[w], l->low_rpm, l->high_rpm);
        say("\"up_rpm_per_s\":%.3f,\"down_rpm_per_s\":%.3f,", l->up_rpm_per_s, l->down_rpm_per_s);
        say("\"quick_rpm_per_s\":%.3f},", l->quick_rpm_per_s);
    }
    say("\"tilt\":{\"low_deg\":%.3f,\"high_deg\":%.3f,", d.own.tilt_low, d.own.tilt_high);
    say("\"slew_deg_per_s\":%.3f}},\"feedback\":\"%s\",", d.own.tilt_slew, d.board->measured ? "measured" : "none");
    say("\"stopping\":\"%s\",\"spin_down_s\":%.3f,", d.board->brakes ? "brake" : "coast", d.board->spin_down_s);
    say("\"exit_sensor\":%s,\"agitator\":false,", yes(d.board->exit_sensor));
    say("\"simulated\":%s}", yes(d.board->simulated));
    post();
}

void send_status(double now) {
    int rest = at_rest(now);
    d.changed = false, d.status_s = now;
    say("{\"v\":1,\"kind\":\"status\",\"boot\":\"%s\",\"now_s\":%.6f,\"epoch\":%lld,", d.boot, now, d.epoch);
    say("\"mode\":\"%s\",\"feeding\":%s,\"agitator\":false", MODE[d.mode], yes(d.open));
    if (*d.session) say(",\"session\":\"%s\"", d.session);
    if (*d.hash) say(",\"limits_hash\":\"%s\"", d.hash);
    if (*d.why) say(",\"mode_reason\":\"%s\"", d.why);
    if (d.seq >= 0) say(",\"seq\":%lld", d.seq);
    if (rest >= 0) say(",\"at_rest\":%s", yes(rest));
    say(",\"rest_known\":\"%s\"", rest < 0 ? "unknown" : d.board->measured ? "measured" : "assumed");
    if (d.accepted_s > 0) say(",\"watchdog_age_ms\":%.1f", 1000 * (now - d.accepted_s));
    for (int w = 0; w < 2; w++) {
        say(",\"%s\":{\"target_rpm\":%.3f,\"limited\":%s", WHEEL[w], d.out_rpm[w], yes(d.limited[w]));
        if (!isnan(d.seen.rpm[w])) say(",\"measured_rpm\":%.1f", d.seen.rpm[w]);
        say("}");
    }
    say(",\"tilt\":{\"target_deg\":%.3f,\"limited\":%s", d.tilt_deg, yes(d.limited[2]));
    if (!isnan(d.seen.tilt_deg)) say(",\"measured_deg\":%.2f", d.seen.tilt_deg);
    say("},\"feeds\":[");
    for (int i = 0; i < d.results; i++) {
        const struct result *r = &d.result[i];
        say("%s{\"id\":%lld,\"at_s\":%.6f,", i ? "," : "", r->id, r->at_s);
        say("\"result\":\"%s\"", r->done ? "done" : "refused");
        if (!r->done) say(",\"reason\":\"%s\"", r->why);
        say("}");
    }
    say("],\"exits\":[");
    for (long n = d.exit_count > EXITS ? d.exit_count - EXITS : 0, first = n; n < d.exit_count; n++)
        say("%s{\"n\":%ld,\"at_s\":%.6f}", n > first ? "," : "", d.exits[n % EXITS].n, d.exits[n % EXITS].at_s);
    say("],\"faults\":[");
    for (int w = 0, told = 0; d.board->measured && w < 2; w++) {
        if (!isnan(d.seen.rpm[w])) continue;
        say("%s{\"part\":\"%s\",\"what\":\"speed not readable\"}", told++ ? "," : "", WHEEL[w]);
    }
    say("],\"refusals\":[");
    for (int i = 0; i < d.refusals; i++) {
        const struct refusal *r = &d.refusal[i];
        say("%s{\"n\":%ld,\"kind\":\"%s\",\"reason\":\"%s\"}", i ? "," : "", r->n, r->kind, r->why);
    }
    say("]}");
    post();
}

void send_pong(long long n, double now) {
    say("{\"v\":1,\"kind\":\"pong\",\"n\":%lld,\"now_s\":%.6f}", n, now);
    post();
}
