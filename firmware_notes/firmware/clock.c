#include "clock.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#define TICKS_PER_MS (TICKS_PER_US * 1000u)

static volatile uint32_t ms, ms_ticks;

ISR(TIMER2_COMPA_vect)
{
	ms++;
	ms_ticks += TICKS_PER_MS;
}

void clock_start(void)
{
	TCCR2A = _BV(WGM21);
	OCR2A = F_CPU / 64 / 1000 - 1;
	TIMSK2 = _BV(OCIE2A);
	TCCR2B = _BV(CS22); /* clk/64, cleared on match: 1 kHz */
	TCCR1A = 0;
	TCCR1B = _BV(CS11); /* clk/8, free running */
}

uint8_t clock_low_ms(void) { return (uint8_t)ms; }

uint32_t clock_ms(void)
{
	uint32_t now;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { now = ms; }
	return now;
}

uint32_t clock_extend(uint16_t ticks)
{
	/* Both timers count the same crystal: the milliseconds say which turn of timer 1 it is, with no
	 * interrupt at its overflow, which would come late where another is being served. */
	uint32_t about = ms_ticks;
	return about + (uint32_t)(int32_t)(int16_t)(ticks - (uint16_t)about);
}

uint32_t clock_ticks(void)
{
	uint32_t now;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { now = clock_extend(TCNT1); }
	return now;
}
