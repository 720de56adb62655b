/* What the driver knows of itself, for its files: driver.c keeps the rules, reading.c reads
   the fields of a message, telling.c writes what is sent, note.c the log, main.c has socket and clock. */
#ifndef DRIVER_H
#define DRIVER_H
#include "board.h"
#include "json.h"

enum { FRAME = 16384, RESULTS = 16, EXITS = 16, REFUSALS = 8 };
enum mode { DISARMED, ARMED, STOPPING, TRIPPED };
static const double TURN = 0.005; /* between two looks, at most */
static const char *const MODE[] = {"disarmed", "armed", "stopping", "tripped"};
static const char *const WHEEL[] = {"top", "bottom"};
struct limits { struct wheel_limits wheel[2]; bool tilts; double tilt_low, tilt_high, tilt_slew; };
struct feed { long long id; double at_s; };
struct target {
    double at_s, until_s, rpm[2], ramp[2], tilt_deg, slew;
    bool tilts, feeding;
    long long epoch, seq;
    int feeds;
    struct feed feed[8];
};
struct result { long long id; double at_s; bool done; char why[100]; };
struct refusal { long n; const char *kind; char why[100]; };
struct ball { long n; double at_s; };

struct driver {
    const struct board *board;
    struct limits own, in_force;
    void *socket;
    enum mode mode;
    bool changed, open, limited[3];
    char boot[17], why[160], session[65], hash[17];
    long long epoch, seq;
    double accepted_s, hello_s, status_s, out_rpm[2], tilt_deg;
    struct reading seen;
    int results, refusals;
    struct result result[RESULTS];
    struct refusal refusal[REFUSALS];
    struct ball exits[EXITS];
    long exit_count;
};
extern struct driver d;

extern struct json json; /* the frame in hand */

bool read_word(int of, const char *key, char *into, int least, int most);
bool read_limits(int at, struct limits *l);
bool read_setpoint(struct target *t);
int at_rest(double now);
void refuse(const char *kind, const char *reason, double now);
bool note_open(const char *path);
__attribute__((format(printf, 3, 4))) void note(const char *event, double now, const char *format, ...);
const char *note_exits(void);
void note_feed(const struct feed *f, const struct target *in_force, double now);
void note_wheels(const struct target *in_force, double now);
void driver_begin(double now);
void driver_take(const char *text, size_t size, double now, double asleep);
void driver_turn(double now, double asleep);
void driver_end(double now);
void send_hello(double now);
void send_status(double now);
void send_pong(long long n, double now);
#endif
