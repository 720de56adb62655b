/* The port for a computer: wheels, feeder and balls in numbers, the serial line a pseudo-terminal.
 *
 *   board-host --tty PATH [...]     PATH becomes a link to the pseudo-terminal; time is the computer's
 *   board-host --virtual [...]      the line is stdin and stdout; "@N" on stdin lets N milliseconds pass
 *
 * and [--open-loop] [--boot N] [--ms N] [--log FILE]: no encoders and no exit sensor; the boot number; where the clock
 * begins; what was done and seen.
 */
#define _XOPEN_SOURCE 600
#include "board.h"
#include "port.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { COUNTS_PER_TURN = 1024, BALLS_MAX = 8, LATENCY_MS = 120, LATE_MS = 20, WHEELS_NOTED_MS = 20 };
static const double FREE_RPM = 7200, MOTOR_TAU_MS = 120, DIP = 0.03, TILT_DEG_PER_MS = 0.12;

static struct board_config config = {
    .name = "hall-board", .feedback = 1, .high_drpm = 58000, .slew_drpm_per_ms = 120, .counts_per_turn = COUNTS_PER_TURN,
    .free_drpm = 72000, .motor_tau_ms = 120, .tilt_low_cdeg = -3000, .tilt_high_cdeg = 6000,
    .push_ms = 60, .push_again_ms = 500};

static uint32_t ms, boot_number = 1, exits, exit_ms, pending[BALLS_MAX];
static unsigned pending_count;
static double rpm[2], turns[2], tilt_deg, tilt_goal_deg;
static int duty[2], feeder, agitator, tty = -1, virtual_time;
static FILE *log_file;
static volatile sig_atomic_t ended;
static char arrived[65536];
static size_t arrived_length, arrived_at;

static void note(const char *event, double value) {
    if (!log_file) return;
    fprintf(log_file, "{\"ms\":%u,\"event\":\"%s\",\"value\":%g,\"top_rpm\":%.1f,\"bottom_rpm\":%.1f}\n", (unsigned)ms, event,
            value, rpm[0], rpm[1]);
    fflush(log_file);
}

uint32_t port_ms(void) { return ms; }
uint32_t port_boot_number(void) { return boot_number; }
uint32_t port_encoder(unsigned wheel) { return (uint32_t)(long long)(turns[wheel] * COUNTS_PER_TURN); }
void port_tilt(int32_t centidegrees) { tilt_goal_deg = centidegrees / 100.0; }
int32_t port_supply_mv(void) { return config.feedback ? 25200 : 12400; }

int port_get(void) {
    return arrived_at < arrived_length ? (unsigned char)arrived[arrived_at++] : -1;
}

void port_put(const char *text, unsigned length) {
    if (virtual_time) {
        fwrite(text, 1, length, stdout);
    } else if (write(tty, text, length) < 0 && errno != EAGAIN && errno != EIO) {
        ended = 1;
    }
}

void port_wheel(unsigned wheel, int new_duty) {
    duty[wheel] = new_duty;
}

int port_tilt_seen(int32_t *centidegrees) {
    *centidegrees = (int32_t)(tilt_deg * 100);
    return config.feedback;
}

void port_feeder(int on) {
    if (on && !feeder) {
        note("push", on);
        if (pending_count < BALLS_MAX) pending[pending_count++] = ms + LATENCY_MS;
    }
    feeder = on;
}

void port_agitator(int on) {
    if (on != agitator) note("agitator", on);
    agitator = on;
}

int32_t port_exits(uint32_t *newest_ms) {
    *newest_ms = exit_ms;
    return config.feedback ? (int32_t)exits : -1;
}

static void pass_one_ms(void) {
    ms++;
    for (int w = 0; w < 2; w++) {
        rpm[w] += (duty[w] / 10000.0 * FREE_RPM - rpm[w]) / MOTOR_TAU_MS;
        turns[w] += rpm[w] / 60000;
    }
    int still = !duty[0] && !duty[1] && rpm[0] < 1 && rpm[1] < 1;
    if (ms % WHEELS_NOTED_MS == 0 && !still) note("wheels", duty[0] + duty[1]);
    double left = tilt_goal_deg - tilt_deg;
    tilt_deg += left > TILT_DEG_PER_MS ? TILT_DEG_PER_MS : left < -TILT_DEG_PER_MS ? -TILT_DEG_PER_MS : left;
    if (pending_count && (int32_t)(ms - pending[0]) >= 0) {
        memmove(pending, pending + 1, --pending_count * sizeof *pending);
        exits++;
        exit_ms = ms;
        note("leaves", exits);
        rpm[0] *= 1 - DIP;
        rpm[1] *= 1 - DIP;
    }
}

static void take_bytes(const char *bytes, size_t length) {
    if (arrived_at == arrived_length) arrived_at = arrived_length = 0;
    if (length > sizeof arrived - arrived_length) length = sizeof arrived - arrived_length;
    memcpy(arrived + arrived_length, bytes, length);
    arrived_length += length;
}

static int run_virtual(void) {
    char text[4096];
    board_begin(&config);
    while (fgets(text, sizeof text, stdin)) {
        if (*text != '@') {
            take_bytes(text, strlen(text));
            continue;
        }
        for (long left = strtol(text + 1, 0, 10); left > 0; left--) {
            pass_one_ms();
            board_step();
        }
        printf("@\n");
        fflush(stdout);
    }
    return 0;
}

static uint64_t clock_ms(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (uint64_t)t.tv_sec * 1000 + (uint64_t)t.tv_nsec / 1000000;
}

static void end(int signal_number) {
    (void)signal_number;
    ended = 1;
}

static int open_tty(const char *path) {
    struct termios raw;
    int master = posix_openpt(O_RDWR | O_NOCTTY), slave;
    if (master < 0 || grantpt(master) || unlockpt(master)) return -1;
    slave = open(ptsname(master), O_RDWR | O_NOCTTY); /* kept open: else reading fails while nobody is connected */
    if (slave < 0 || tcgetattr(slave, &raw)) return -1;
    raw.c_iflag &= ~(tcflag_t)(ICRNL | INLCR | IGNCR | IXON | IXOFF | ISTRIP);
    raw.c_oflag &= ~(tcflag_t)OPOST;
    raw.c_lflag &= ~(tcflag_t)(ECHO | ICANON | ISIG | IEXTEN);
    if (tcsetattr(slave, TCSANOW, &raw) || fcntl(master, F_SETFL, O_NONBLOCK)) return -1;
    unlink(path);
    return symlink(ptsname(master), path) ? -1 : master;
}

static int run_tty(const char *path) {
    char bytes[4096];
    uint64_t began_ms, due_ms;
    uint32_t first_ms = ms;
    tty = open_tty(path);
    if (tty < 0) return perror(path), 1;
    signal(SIGTERM, end);
    signal(SIGINT, end);
    if (signal(SIGHUP, end) == SIG_IGN) signal(SIGHUP, SIG_IGN); /* nohup */
    board_begin(&config);
    for (began_ms = clock_ms(); !ended;) {
        struct pollfd ready = {.fd = tty, .events = POLLIN};
        poll(&ready, 1, 1);
        for (ssize_t got; (got = read(tty, bytes, sizeof bytes)) > 0;) take_bytes(bytes, (size_t)got);
        due_ms = clock_ms() - began_ms;
        while (ms - first_ms + LATE_MS < due_ms) pass_one_ms(); /* the computer stood still; wheels do not */
        for (; ms - first_ms < due_ms; board_step()) pass_one_ms();
    }
    unlink(path);
    return 0;
}

int main(int count, char **words) {
    const char *path = 0;
    for (int i = 1; i < count; i++) {
        const char *value = i + 1 < count ? words[i + 1] : 0;
        if (!strcmp(words[i], "--virtual")) virtual_time = 1;
        else if (!strcmp(words[i], "--open-loop")) config.feedback = 0, config.slew_drpm_per_ms = 30;
        else if (!strcmp(words[i], "--tty") && value) path = value, i++;
        else if (!strcmp(words[i], "--boot") && value) boot_number = (uint32_t)strtoul(value, 0, 10), i++;
        else if (!strcmp(words[i], "--ms") && value) ms = (uint32_t)strtoul(value, 0, 10), i++;
        else if (!strcmp(words[i], "--log") && value) log_file = fopen(value, "a"), i++;
        else return fprintf(stderr, "%s: not understood; see the top of host_port.c\n", words[i]), 2;
    }
    if (!virtual_time && !path) return fprintf(stderr, "either --tty PATH or --virtual\n"), 2;
    return virtual_time ? run_virtual() : run_tty(path);
}
