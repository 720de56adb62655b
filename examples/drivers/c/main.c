/* Socket, clock and signals: a DEALER, frames as they come, a turn each 5 ms.

   usage: driver ENDPOINT [--log FILE] [OPTIONS OF THE BOARD] */
#define _POSIX_C_SOURCE 200809L
#include "driver.h"
#include <errno.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <time.h>
#include <zmq.h>

static const double LATE_WAKE = 0.010;
static volatile sig_atomic_t ending;

static void end(int number) {
    (void)number;
    ending = 1;
}

static double clock_s(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* How long the computer has slept in all (L31). The clock that counts sleep is read first: frozen between the two, this
   process sees too little, never too much. */
static double asleep_s(void) {
#ifdef CLOCK_BOOTTIME
    struct timespec t;
    clock_gettime(CLOCK_BOOTTIME, &t);
    double counting = (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
    return counting - clock_s();
#else
    return 0; /* no clock here tells */
#endif
}

static void set(int option, int value) { zmq_setsockopt(d.socket, option, &value, sizeof value); }

static bool draw_boot(void) {
    unsigned long long drawn = 0;
    FILE *chance = fopen("/dev/urandom", "rb");
    bool good = chance && fread(&drawn, sizeof drawn, 1, chance) == 1;
    if (chance) fclose(chance);
    snprintf(d.boot, sizeof d.boot, "%016llx", drawn);
    return good;
}

/* Take what has come, 64 frames at most, so that a flood never keeps the turn from coming. */
static void listen_once(void) {
    static char text[FRAME + 1];
    static bool in_parts;
    for (int n = 0, size; n < 64 && (size = zmq_recv(d.socket, text, sizeof text, ZMQ_DONTWAIT)) >= 0; n++) {
        int more = 0;
        size_t room = sizeof more;
        zmq_getsockopt(d.socket, ZMQ_RCVMORE, &more, &room);
        if (more) in_parts = true;
        else if (in_parts) in_parts = false, refuse("frame", "a message of several frames", clock_s());
        else {
            double now = clock_s();
            driver_take(text, (size_t)size, now, asleep_s());
        }
        if (d.changed) send_status(clock_s());
    }
}

int main(int words, char **word) {
    bool logs = words > 3 && !strcmp(word[2], "--log");
    if (words < 2) {
        fprintf(stderr, "usage: %s ENDPOINT [--log FILE] [OPTIONS OF THE BOARD]\n", word[0]);
        return 2;
    }
    if (logs && !note_open(word[3])) {
        fprintf(stderr, "%s: %s\n", word[3], strerror(errno));
        return 2;
    }
    int options = logs ? 4 : 2;
    struct sigaction action = {.sa_handler = end};
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    struct sigaction at_start;
    sigaction(SIGHUP, NULL, &at_start);
    if (at_start.sa_handler != SIG_IGN) sigaction(SIGHUP, &action, NULL); /* L29; ignored: nohup */
    d.board = board_open(words > options ? word[options] : "");
    void *context = zmq_ctx_new();
    d.socket = zmq_socket(context, ZMQ_DEALER);
    int64_t longest = 2 * FRAME; /* what is longer closes the connection unread */
    zmq_setsockopt(d.socket, ZMQ_MAXMSGSIZE, &longest, sizeof longest);
    set(ZMQ_LINGER, 0), set(ZMQ_IMMEDIATE, 1), set(ZMQ_SNDHWM, 64), set(ZMQ_RCVHWM, 256), set(ZMQ_RECONNECT_IVL, 50);
    if (!draw_boot() || zmq_connect(d.socket, word[1])) {
        fprintf(stderr, "%s: %s\n", word[1], zmq_strerror(errno));
        return 1;
    }
    double due = clock_s();
    driver_begin(due);
    while (!ending) {
        double late = clock_s() - due;
        if (late > LATE_WAKE) note("late_wake", due + late, "\"late_ms\":%.1f", late * 1000);
        due = fmax(due + TURN, clock_s() - TURN);
        do {
            listen_once();
            zmq_pollitem_t item = {d.socket, 0, ZMQ_POLLIN, 0};
            double left = due - clock_s();
            if (left > 0) zmq_poll(&item, 1, (long)ceil(left * 1000));
        } while (!ending && clock_s() < due);
        double now = clock_s();
        driver_turn(now, asleep_s());
    }
    driver_end(clock_s());
    zmq_close(d.socket);
    zmq_ctx_term(context);
    return 0;
}
