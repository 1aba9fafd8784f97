#include "protect.h"

#include <avr/io.h>
#include <avr/pgmspace.h>
#include <math.h>

#include "board.h"

/* Kept through a reset by watchdog or brown-out, with its complement, by which it is known to be whole. */
static uint8_t latch __attribute__((section(".noinit")));
static uint8_t latch_check __attribute__((section(".noinit")));

static bool distrusted, beating;
static uint32_t beat_ms;
static float celsius = NAN;
static bool measured;
static uint8_t blind_windows; /* in succession */

static void set_latch(enum trip cause)
{
	latch = (uint8_t)cause;
	latch_check = (uint8_t)~cause;
}

static void open(enum trip cause)
{
	RELAY_PORT &= (uint8_t)~_BV(RELAY_BIT);
	if (latch == TRIP_NONE)
		set_latch(cause); /* the first cause stays */
}

static bool beat_lost(uint32_t now_ms) { return beating && now_ms - beat_ms >= BEAT_TIMEOUT_MS; }

/* One disturbed window is no failed sensor; that many are. */
static bool blind(void) { return distrusted || blind_windows >= BLIND_WINDOWS; }

void protect_start(bool keeps_memory)
{
	RELAY_PORT &= (uint8_t)~_BV(RELAY_BIT);
	RELAY_DDR |= _BV(RELAY_BIT);
	if (!keeps_memory || (latch ^ latch_check) != 0xFF || latch > TRIP_SENSOR)
		set_latch(TRIP_NONE);
}

void protect_distrust(void)
{
	distrusted = true;
	open(TRIP_SENSOR);
}

void protect_temperature(float value)
{
	celsius = value;
	measured = true;
	if (!isnan(value))
		blind_windows = 0;
	else if (blind_windows < BLIND_WINDOWS)
		blind_windows++;
}

void protect_tick(uint32_t now_ms)
{
	if (blind())
		open(TRIP_SENSOR);
	if (celsius >= LIMIT_C)
		open(TRIP_HOT);
	if (beat_lost(now_ms))
		open(TRIP_BEAT);
}

void protect_trip(void) { open(TRIP_HOST); }

void protect_beat(uint32_t now_ms)
{
	beat_ms = now_ms;
	beating = true;
}

const char *protect_reset(uint32_t now_ms)
{
	if (distrusted || !measured || isnan(celsius))
		return PSTR("why=sensor");
	if (!(celsius < LIMIT_C - LIMIT_DEADBAND_K))
		return PSTR("why=hot");
	if (beat_lost(now_ms))
		return PSTR("why=beat");
	set_latch(TRIP_NONE);
	RELAY_PORT |= _BV(RELAY_BIT);
	return 0;
}

enum trip protect_cause(void) { return (enum trip)latch; }

bool protect_closed(void) { return RELAY_PIN & _BV(RELAY_BIT); }
