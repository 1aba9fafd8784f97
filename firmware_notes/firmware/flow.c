#include "flow.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "clock.h"

static volatile uint32_t pulses, last_ticks;

ISR(INT0_vect)
{
	uint32_t now = clock_extend(TCNT1);
	if (pulses && now - last_ticks < FLOW_DEAD_US * TICKS_PER_US)
		return;
	pulses++;
	last_ticks = now;
}

void flow_start(void)
{
	PORTD |= _BV(FLOW_BIT);
	EICRA = _BV(ISC01); /* falling edge */
	EIFR = _BV(INTF0);
	EIMSK = _BV(INT0);
}

uint32_t flow_pulses(void)
{
	uint32_t count;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { count = pulses; }
	return count;
}

float flow_lpm(uint32_t now_ticks)
{
	static uint32_t counted, at_ticks;
	static float hertz;
	uint32_t count, last;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		count = pulses;
		last = last_ticks;
	}
	if (count != counted) {
		/* After a standstill the time before the first pulse says nothing of the flow. */
		if (counted && at_ticks)
			hertz = (float)(count - counted) * TICKS_PER_SECOND / (float)(last - at_ticks);
		counted = count;
		at_ticks = last ? last : 1;
	} else if (at_ticks) {
		float waited_s = (float)(now_ticks - at_ticks) / TICKS_PER_SECOND;
		if (waited_s > FLOW_STOPPED_MS / 1000.0f) {
			hertz = 0.0f;
			at_ticks = 0;
		} else if (hertz * waited_s > 1.0f) {
			hertz = 1.0f / waited_s; /* the next pulse is late: it is no faster than this */
		}
	}
	return hertz * (60.0f / FLOW_PULSES_PER_LITRE);
}
