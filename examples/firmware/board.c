/* The clauses of SERIAL.md are named where they are kept. */
#include "board.h"
#include "port.h"

#include <string.h>

enum { VERSION = 1, LINE_MAX_BYTES = 120, WORDS_MAX = 8, BYTES_A_STEP = 256 };
enum { REPORT_MS = 10, DOWN_AFTER_MS = 200, AHEAD_MAX_MS = 1000, SPEED_WINDOW_MS = 16, BLIND_AFTER_MS = 300 };
enum { DUTY_FULL = 10000, BLIND_DUTY = 1500 };
enum mode { ASLEEP, AWAKE, EXPIRED };
static const char *const MODE_NAMES[] = {"asleep", "awake", "expired"};

struct wheel {
    int32_t wanted, output;       /* 0.1 rpm; duty where there is no feedback */
    uint32_t counts[SPEED_WINDOW_MS];
    int32_t measured;             /* 0.1 rpm */
    int32_t integral;             /* duty x 1024 */
    int32_t trend;                /* of the output, 0.1 rpm a millisecond x 16: lines come in steps, wheels should not */
    uint32_t moved_ms;            /* when the encoder last counted, or nothing drove the wheel */
    int blind;
};

static const struct board_config *cfg;
static enum mode mode;
static uint32_t now, boot, stepped_ms, report_ms, until_ms, fed_ms, bad_lines, pushes, push_id, cut_number;
static int32_t tilt_cdeg;
static int tilt_known, feeder_on, agitator_on, tell;
static unsigned slot;
static uint32_t slot_ms[SPEED_WINDOW_MS];
static struct wheel wheels[2];
static char line[LINE_MAX_BYTES + 1];
static unsigned line_length;
static int line_too_long;

static int32_t since(uint32_t then_ms) { return (int32_t)(now - then_ms); } /* right across the wrap-around */

static int32_t clamp(int32_t value, int32_t low, int32_t high) {
    return value < low ? low : value > high ? high : value;
}

static int64_t clamp64(int64_t value) { return value < -9999999 ? -9999999 : value > 9999999 ? 9999999 : value; }

/* CRC-16 with polynomial 0x1021, begun at 0xFFFF (the one of ITU-T V.41 and X.25, not reflected). */
static uint16_t crc16(const char *text, unsigned length) {
    uint16_t crc = 0xFFFF;
    for (unsigned i = 0; i < length; i++) {
        crc = (uint16_t)(crc ^ (uint16_t)((unsigned)(unsigned char)text[i] << 8));
        for (int bit = 0; bit < 8; bit++)
            crc = (uint16_t)(crc & 0x8000 ? (unsigned)crc << 1 ^ 0x1021U : (unsigned)crc << 1);
    }
    return crc;
}

/* ---- Lines out ---- */

static char out[LINE_MAX_BYTES + 2];
static unsigned out_length;

static void say(const char *text) {
    if (out_length) out[out_length++] = ' ';
    while (*text && out_length < LINE_MAX_BYTES - 6) out[out_length++] = *text++;
}

static void say_number(int64_t number) {
    char digits[24], *at = digits + sizeof digits - 1;
    uint64_t left = number < 0 ? (uint64_t)-number : (uint64_t)number;
    *at = '\0';
    do *--at = (char)('0' + left % 10); while (left /= 10);
    if (number < 0) *--at = '-';
    say(at);
}

static void say_known(int known, int64_t number) {
    if (known) say_number(number);
    else say("-");
}

static void send(void) {
    static const char HEX[] = "0123456789ABCDEF";
    uint16_t crc = crc16(out, out_length);
    out[out_length++] = ' ';
    for (int shift = 12; shift >= 0; shift -= 4) out[out_length++] = HEX[crc >> shift & 15];
    out[out_length++] = '\n';
    port_put(out, out_length);
    out_length = 0;
}

static void introduce(void) {
    uint32_t exit_ms;
    say("board");
    say_number(VERSION);
    say_number(boot);
    say(cfg->feedback ? "measured" : "none");
    say(port_exits(&exit_ms) < 0 ? "-" : "exits");
    say(cfg->name);
    send();
}

static void report(void) {
    uint32_t exit_ms = 0;
    int32_t exits = port_exits(&exit_ms), mv = port_supply_mv(), tilt = 0;
    int tilt_seen = port_tilt_seen(&tilt);
    tell = 0;
    report_ms = now;
    say("now");
    say_number(now);
    say_number(boot);
    say(MODE_NAMES[mode]);
    for (unsigned w = 0; w < 2; w++) say_known(cfg->feedback && !wheels[w].blind, wheels[w].measured);
    say_known(tilt_seen, tilt);
    say_known(mv >= 0, mv);
    say_number(pushes);
    say_number(push_id);
    say_known(exits >= 0, exits);
    say_known(exits > 0, exit_ms);
    say_number(cut_number);
    say_number(bad_lines);
    say(wheels[0].blind ? wheels[1].blind ? "tb" : "t" : wheels[1].blind ? "b" : "-");
    send();
}

/* ---- What may move ---- */

static void feed_off(void) {
    feeder_on = agitator_on = 0;
    port_feeder(0);
    port_agitator(0);
}

static void lie_down(enum mode why) { /* S9, S11: the wheels go down at the board's own rate, by step_wheel */
    feed_off();
    wheels[0].wanted = wheels[1].wanted = 0;
    if (mode != why) tell = 1;
    mode = why;
}

static void watch(void) { /* S1, S9: looked at before anything else */
    if (mode != AWAKE || since(until_ms) <= 0) return;
    if (agitator_on || feeder_on) feed_off();
    if (since(until_ms) > DOWN_AFTER_MS) lie_down(EXPIRED);
}

static int drive(int32_t asked, int32_t change, struct wheel *w) { /* speed loop: feed-forward and integral */
    w->trend += change - w->trend / 16;
    int64_t forward = (int64_t)(asked + w->trend * cfg->motor_tau_ms / 16) * DUTY_FULL / cfg->free_drpm;
    int32_t error = asked - w->measured;
    if (asked == 0) w->integral = 0;
    else w->integral = clamp(w->integral + error * 2, -1024 * DUTY_FULL / 4, 1024 * DUTY_FULL / 4);
    return clamp((int32_t)(forward + w->integral / 1024 + error / 8), 0, DUTY_FULL);
}

static void see_wheel(unsigned index, int duty) {
    struct wheel *w = &wheels[index];
    uint32_t count = port_encoder(index), last = w->counts[(slot + SPEED_WINDOW_MS - 1) % SPEED_WINDOW_MS];
    int64_t turned = (int32_t)(count - w->counts[slot]), took_ms = since(slot_ms[slot]);
    w->counts[slot] = count;
    if (took_ms > 0) w->measured = (int32_t)clamp64(turned * 600000 / (cfg->counts_per_turn * took_ms));
    if (count != last || duty < BLIND_DUTY) {
        w->moved_ms = now;
        w->blind = 0;
    } else if (since(w->moved_ms) > BLIND_AFTER_MS) {
        w->blind = 1;
    }
}

static void step_wheel(unsigned index) { /* S8: within the range and the slew of the board itself */
    struct wheel *w = &wheels[index];
    int32_t change = clamp(w->wanted - w->output, -cfg->slew_drpm_per_ms, cfg->slew_drpm_per_ms);
    int duty;
    w->output += change;
    duty = cfg->feedback ? (w->blind ? 0 : drive(w->output, change, w)) : w->output;
    port_wheel(index, duty);
    if (cfg->feedback) see_wheel(index, duty);
}

/* ---- Lines in ---- */

static int number(const char *word, int64_t low, int64_t high, int64_t *value) {
    int64_t sum = 0;
    int negative = *word == '-';
    if (negative) word++;
    if (!*word || strlen(word) > 10) return 0;
    for (; *word; word++) {
        if (*word < '0' || *word > '9') return 0;
        sum = sum * 10 + (*word - '0');
    }
    *value = negative ? -sum : sum;
    return *value >= low && *value <= high;
}

static int timely(char **words, uint32_t *until) { /* S3, S4: of this boot, and not expired on the board's clock */
    int64_t of_boot, until_word;
    if (!number(words[1], 0, UINT32_MAX, &of_boot) || of_boot != boot) return 0;
    if (!number(words[2], 0, UINT32_MAX, &until_word)) return 0;
    *until = (uint32_t)until_word;
    return since(*until) <= 0 && since(*until) >= -AHEAD_MAX_MS;
}

static int take_go(char **words) { /* S5 */
    int64_t top, bottom, tilt = 0, agitate;
    uint32_t until;
    int tilts = strcmp(words[5], "-") != 0;
    int32_t high = cfg->feedback ? cfg->high_drpm : DUTY_FULL;
    if (mode != AWAKE || strcmp(words[0], cfg->feedback ? "go" : "duty") != 0 || !timely(words, &until)) return 0;
    if (!number(words[3], 0, high, &top) || !number(words[4], 0, high, &bottom)) return 0;
    if (tilts && !number(words[5], cfg->tilt_low_cdeg, cfg->tilt_high_cdeg, &tilt)) return 0;
    if (!number(words[6], 0, 1, &agitate)) return 0;
    until_ms = until;
    wheels[0].wanted = (int32_t)top;
    wheels[1].wanted = (int32_t)bottom;
    if (tilts && (!tilt_known || tilt_cdeg != (int32_t)tilt)) {
        tilt_cdeg = (int32_t)tilt;
        tilt_known = 1;
        port_tilt(tilt_cdeg);
    }
    agitator_on = (int)agitate;
    port_agitator(agitator_on);
    return 1;
}

static int take_push(char **words) { /* S6 */
    int64_t id;
    uint32_t until;
    if (mode != AWAKE || since(until_ms) > 0 || !timely(words, &until) || !number(words[3], 1, UINT32_MAX, &id)) return 0;
    if ((uint32_t)id <= push_id) return 1; /* a copy of a push that was heard: nothing, and no mistake */
    if (pushes && since(fed_ms) < (int32_t)cfg->push_again_ms) return 0;
    push_id = (uint32_t)id;
    pushes++;
    fed_ms = now;
    feeder_on = 1;
    port_feeder(1);
    tell = 1;
    return 1;
}

static int take_wake(char **words) { /* S10: nothing moves by it */
    int64_t of_boot;
    if (!number(words[1], 0, UINT32_MAX, &of_boot) || of_boot != boot) return 0;
    if (mode == AWAKE) return 1;
    mode = AWAKE;
    until_ms = now;
    tell = 1;
    return 1;
}

static int take_cut(char **words) { /* S7: whoever says it, in any mode */
    int64_t n;
    if (!number(words[1], 0, UINT32_MAX, &n)) return 0;
    feed_off();
    cut_number = (uint32_t)n;
    tell = 1;
    return 1;
}

static int take(char **words, unsigned count) {
    if (count == 1 && !strcmp(words[0], "who")) return introduce(), 1;
    if (count == 1 && !strcmp(words[0], "sleep")) return lie_down(ASLEEP), 1;
    if (count == 2 && !strcmp(words[0], "cut")) return take_cut(words);
    if (count == 2 && !strcmp(words[0], "wake")) return take_wake(words);
    if (count == 4 && !strcmp(words[0], "push")) return take_push(words);
    return count == 7 && take_go(words);
}

static int read_line(void) { /* S2: the check first, then the words */
    char *words[WORDS_MAX];
    unsigned count = 0;
    uint16_t said = 0;
    if (line_length && line[line_length - 1] == '\r') line_length--;
    if (line_length < 6 || line[line_length - 5] != ' ') return 0;
    for (unsigned i = line_length - 4; i < line_length; i++) {
        const char *hex = "0123456789ABCDEF", *digit = line[i] ? strchr(hex, line[i]) : 0;
        if (!digit) return 0;
        said = (uint16_t)((unsigned)said << 4 | (unsigned)(digit - hex));
    }
    line_length -= 5;
    if (crc16(line, line_length) != said) return 0;
    line[line_length] = '\0';
    for (char *at = line; at;) {
        if (count == WORDS_MAX) return 0;
        words[count++] = at;
        at = strchr(at, ' ');
        if (at) *at++ = '\0';
    }
    return take(words, count);
}

static void listen(void) {
    for (int left = BYTES_A_STEP, byte; left > 0 && (byte = port_get()) >= 0; left--) {
        if (byte == '\n') {
            watch();
            if (line_too_long || (line_length && !read_line())) bad_lines++;
            line_length = 0;
            line_too_long = 0;
        } else if (line_length < LINE_MAX_BYTES) {
            line[line_length++] = (char)byte;
        } else {
            line_too_long = 1;
        }
    }
}

void board_begin(const struct board_config *config) {
    cfg = config;
    now = stepped_ms = report_ms = port_ms();
    boot = port_boot_number();
    mode = ASLEEP;
    feed_off();
    for (unsigned w = 0; w < 2; w++) {
        port_wheel(w, 0);
        for (unsigned i = 0; i < SPEED_WINDOW_MS; i++) wheels[w].counts[i] = port_encoder(w), slot_ms[i] = now;
        wheels[w].moved_ms = now;
    }
    introduce();
}

void board_step(void) {
    now = port_ms();
    watch();
    listen();
    if (feeder_on && since(fed_ms) >= (int32_t)cfg->push_ms) {
        feeder_on = 0;
        port_feeder(0);
    }
    if (now != stepped_ms) {
        stepped_ms = now;
        step_wheel(0);
        step_wheel(1);
        slot_ms[slot] = now;
        slot = (slot + 1) % SPEED_WINDOW_MS;
    }
    if (tell || since(report_ms) >= REPORT_MS) report();
}
