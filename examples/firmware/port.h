/* What the board's program needs from the chip: twelve calls. Write these for yours; board.c stays as it is.
 * None of them waits. Wheel 0 is the top wheel, wheel 1 the bottom one. */
#ifndef DRILLFEED_PORT_H
#define DRILLFEED_PORT_H

#include <stdint.h>

uint32_t port_ms(void);                     /* milliseconds; wraps around, never jumps */
uint32_t port_boot_number(void);            /* another number after each reset: a counter in EEPROM, noise of an ADC */
int port_get(void);                         /* next byte from the host, or -1 */
void port_put(const char *text, unsigned length); /* a whole line to the host; drop it whole if it does not fit */

void port_wheel(unsigned wheel, int duty);  /* 0..10000 of full duty; at 0 the bridge brakes, or lets coast */
uint32_t port_encoder(unsigned wheel);      /* running count; wraps around */
void port_tilt(int32_t centidegrees);
int port_tilt_seen(int32_t *centidegrees);  /* 0: this angle is not measured */
void port_feeder(int on);
void port_agitator(int on);
int32_t port_exits(uint32_t *newest_ms);    /* balls seen leaving since the reset; -1: no sensor */
int32_t port_supply_mv(void);               /* -1: not measured */

#endif
