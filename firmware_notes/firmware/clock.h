/* Time since power-up: milliseconds, and ticks of half a microsecond for edges. */
#ifndef CLOCK_H
#define CLOCK_H
#include <stdint.h>

#define TICKS_PER_SECOND 2000000.0f
#define TICKS_PER_US 2u

void clock_start(void);
uint32_t clock_ms(void);
uint8_t clock_low_ms(void); /* its lowest byte, for interrupts */
/* Interrupts off: the 32-bit time of a 16-bit reading of timer 1 not older than 16 ms. Wraps after 35 min. */
uint32_t clock_extend(uint16_t ticks);
uint32_t clock_ticks(void);

#endif
