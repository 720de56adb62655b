/* The board's program: SERIAL.md in C99, no allocation, no floating point, one thread.
 * Call board_begin once and board_step as often as you can, at least once a millisecond. */
#ifndef DRILLFEED_BOARD_H
#define DRILLFEED_BOARD_H

#include <stdint.h>

struct board_config {
    const char *name;             /* letters, digits and - */
    int feedback;                 /* 1: encoders on both wheels, this program holds their speed; 0: duty from the host */
    int32_t high_drpm;            /* no wheel is ever asked for more, in 0.1 rpm */
    int32_t slew_drpm_per_ms;     /* nor faster, whoever asks, in 0.1 rpm a millisecond; without feedback in duty */
    int32_t counts_per_turn;      /* of the wheel */
    int32_t free_drpm;            /* speed at full duty, 0.1 rpm: the feed-forward of the speed loop */
    int32_t motor_tau_ms;         /* time constant of motor and wheel: the same */
    int32_t tilt_low_cdeg, tilt_high_cdeg;
    uint32_t push_ms;             /* how long the feeder's output is on for one ball */
    uint32_t push_again_ms;       /* and how soon it may be on again */
};

void board_begin(const struct board_config *config);
void board_step(void);

#endif
