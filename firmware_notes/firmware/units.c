#include "units.h"

#include <math.h>

#include "board.h"

#define VOLTS_PER_CODE (AVCC_MV / 1024.0f / 1000.0f * (DIVIDER_TOP_OHM + DIVIDER_BOTTOM_OHM) / DIVIDER_BOTTOM_OHM)
#define AMPS_PER_CODE (AVCC_MV / 1024.0f / AMPS_MV_PER_A)
#define KELVIN 273.15f
#define ENOUGH 4u          /* samples of each time, or else the times are not told apart */
#define FASTEST_TICKS 300u /* 0.15 ms: a sample's time could no longer be told when its result is there */
#define CLIPPED_SHARE 64u

/* Means over one time of the chopper, or over all. */
struct means {
	float v, i, vv, ii, vi;
};

static void add_sums(struct sums *to, const struct sums *more)
{
	to->count += more->count;
	to->sum += more->sum;
	to->squares += more->squares;
}

static float mean(uint32_t sum, uint16_t count) { return (float)sum / (float)count; }

static struct means over(const struct sums *v, const struct sums *i, float vi)
{
	struct means m = {mean(v->sum, v->count), mean(i->sum, i->count), mean(v->squares, v->count),
			  mean(i->squares, i->count), vi};
	return m;
}

/* Volts times amps is the product of their means, from all samples of that time, and what they vary
 * together, from the pairs, which fill the time less evenly. */
static struct means over_time(const struct window *w, uint8_t time)
{
	struct means m = over(&w->volts[time], &w->amps[time], 0.0f);
	m.vi = m.v * m.i;
	uint16_t n = w->pairs[time].count;
	if (n >= ENOUGH)
		m.vi += mean(w->pairs[time].products, n) -
			mean(w->pairs[time].volts, n) * mean(w->pairs[time].amps, n);
	return m;
}

static struct means over_all(const struct window *w)
{
	struct sums v = w->volts[OFF], i = w->amps[OFF];
	for (uint8_t time = ON; time < TIMES; time++) {
		add_sums(&v, &w->volts[time]);
		add_sums(&i, &w->amps[time]);
	}
	/* A line through the means at distances 1 and 3, at distance 0. */
	float near = mean(w->near_products, w->near_pairs), far = mean(w->far_products, w->far_pairs);
	return over(&v, &i, near + 0.5f * (near - far));
}

static bool both_times(const struct window *w)
{
	if (!w->chopper.periods)
		return false;
	for (uint8_t time = OFF; time <= ON; time++)
		if (w->volts[time].count < ENOUGH || w->amps[time].count < ENOUGH)
			return false;
	return true;
}

bool units_too_fast(const struct window *w)
{
	const struct chopper *c = &w->chopper;
	return c->lost > c->periods / 8 + 4 || c->period_ticks < (uint32_t)c->periods * FASTEST_TICKS;
}

static uint16_t counted(const struct sums *s) { return s[OFF].count + s[ON].count + s[EDGE].count; }

static float root(float square) { return square > 0.0f ? sqrtf(square) : 0.0f; }

static void electrical(const struct window *w, float zero, struct readings *r)
{
	const struct chopper *c = &w->chopper;
	if (c->periods)
		r->duty = (float)c->on_ticks / (float)c->period_ticks;
	else
		r->duty = w->sync_high ? 1.0f : 0.0f;
	r->volts = r->amps = r->watts = r->volts_rms = r->amps_rms = NAN;
	if (!w->far_pairs || units_too_fast(w))
		return;
	struct means m;
	if (both_times(w)) {
		struct means on = over_time(w, ON), off = over_time(w, OFF);
		float d = r->duty, e = 1.0f - d;
		m.v = d * on.v + e * off.v;
		m.i = d * on.i + e * off.i;
		m.vv = d * on.vv + e * off.vv;
		m.ii = d * on.ii + e * off.ii;
		m.vi = d * on.vi + e * off.vi;
	} else {
		m = over_all(w);
	}
	bool volts_good = w->volts_clipped < counted(w->volts) / CLIPPED_SHARE + 1;
	bool amps_good = w->amps_clipped < counted(w->amps) / CLIPPED_SHARE + 1;
	if (volts_good) {
		r->volts = VOLTS_PER_CODE * m.v;
		r->volts_rms = VOLTS_PER_CODE * root(m.vv);
	}
	if (amps_good) {
		r->amps = AMPS_PER_CODE * (m.i - zero);
		r->amps_rms = AMPS_PER_CODE * root(m.ii - zero * (2.0f * m.i - zero));
	}
	if (volts_good && amps_good)
		r->watts = VOLTS_PER_CODE * AMPS_PER_CODE * (m.vi - zero * m.v);
}

float units_celsius(float code)
{
	/* The reference feeds the pull-up too, so that its own error drops out. */
	float ohms = NTC_PULLUP_OHM * code / (1024.0f - code);
	return 1.0f / (1.0f / (25.0f + KELVIN) + logf(ohms / NTC_R25_OHM) / NTC_BETA_K) - KELVIN;
}

void units_convert(const struct window *w, float amps_zero, struct readings *r)
{
	electrical(w, amps_zero, r);
	for (uint8_t i = 0; i < THERMISTORS; i++) {
		uint16_t low = w->thermistor[i].low, high = w->thermistor[i].high;
		bool good = w->thermistor[i].count && low >= NTC_SHORT_CODE && high <= NTC_OPEN_CODE &&
			    high - low <= NTC_SPREAD_CODE;
		r->celsius[i] = good ? units_celsius(mean(w->thermistor[i].sum, w->thermistor[i].count)) : NAN;
	}
}
