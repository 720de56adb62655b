/* A thrower in numbers only: wheels close on their goal with 15 ms, a ball is out 60 ms after the push. */
#include "board.h"
#include <math.h>
#include <string.h>

static struct board facts = {
    .name = "example driver in C, simulated", .measured = true, .brakes = true, .exit_sensor = true, .simulated = true,
    .wheel = {{0, 5000, 4000, 5000, 8000}, {0, 5000, 4000, 5000, 8000}},
    .diameter_m = {0.060, 0.060}, .spin_down_s = 1.5,
    .tilt_low_deg = -20, .tilt_high_deg = 45, .tilt_slew_deg_per_s = 60,
};
static double goal_rpm[2], rpm[2], tilt_deg, last_s, leaves_s = INFINITY;
static bool pushed;
static long exits;

const struct board *board_open(const char *options) {
    if (options && !strcmp(options, "no-feedback")) facts.measured = facts.exit_sensor = false;
    return &facts;
}

void board_read(double now, struct reading *seen) {
    double share = -expm1(-(last_s > 0 ? now - last_s : 0) / 0.015);
    last_s = now;
    if (pushed) leaves_s = now + 0.060, pushed = false;
    if (now >= leaves_s) exits++, leaves_s = INFINITY;
    for (int w = 0; w < 2; w++) {
        rpm[w] += (goal_rpm[w] - rpm[w]) * share;
        seen->rpm[w] = facts.measured ? rpm[w] : NAN;
    }
    seen->tilt_deg = facts.measured ? tilt_deg : NAN;
    seen->exits = exits;
}

void board_wheel(int wheel, double to_rpm) { goal_rpm[wheel] = to_rpm; }
void board_tilt(double deg) { tilt_deg = deg; }
void board_feed(void) { pushed = true; }
void board_cut(void) { pushed = false; }
