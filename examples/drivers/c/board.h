/* What an integrator replaces: the facts of a thrower and six functions. None may wait. Wheel 0 is the top one. */
#ifndef BOARD_H
#define BOARD_H
#include <stdbool.h>

struct wheel_limits { double low_rpm, high_rpm, up_rpm_per_s, down_rpm_per_s, quick_rpm_per_s; };
struct board {
    const char *name;
    bool measured, brakes, exit_sensor, simulated;
    struct wheel_limits wheel[2];
    double diameter_m[2], spin_down_s, tilt_low_deg, tilt_high_deg, tilt_slew_deg_per_s;
};
struct reading { double rpm[2], tilt_deg; long exits; }; /* NaN: not known */

extern const struct board *board_open(const char *options);
extern void board_read(double now, struct reading *seen);  /* comes first in each turn of 5 ms */
extern void board_wheel(int wheel, double rpm);            /* ramped already */
extern void board_tilt(double deg);                        /* ramped already */
extern void board_feed(void);                              /* push one ball, once */
extern void board_cut(void);                               /* feeder off, wheels as they are */
#endif
