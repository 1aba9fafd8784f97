#include "sampling.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <math.h>
#include <string.h>
#include <util/atomic.h>
#include <util/delay_basic.h>

#include "board.h"
#include "clock.h"

#define REFERENCE _BV(REFS0) /* AVCC */
/* 250 kHz: a little above the 200 kHz up to which all ten bits are promised, far below the 1 MHz up to which the
 * converter is characterised. */
#define RUN (_BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1))
#define CONVERSION_TICKS 104u /* 13 cycles of that clock */
#define HELD_TICKS 15u        /* the input is held 1.5 to 2.5 cycles after the start: 12 to 20 ticks */
#define GUARD_TICKS 5u        /* so near an edge it can not be told which side of it a sample is on */
#define FULL_CODE 1023u
#define BURST 4u
#define SHORTEST_WAIT 8u /* ticks, which are timer 0's too */
#define LONGEST_WAIT 255u
#define WAIT_RUN _BV(CS01)
#define SLOWEST_MS 30u /* a longer period of the chopper would wrap timer 1 */
#define WAITING 32u    /* bursts; 10 ms. A divisor of 256 */

/* What the interrupts hand to the loop: they only note, so that none of them holds up another for long. */
struct burst {
	uint16_t codes[BURST], thermistor;
	uint8_t times[BURST], first_mux, which;
};

static struct burst ring[WAITING];
static volatile uint8_t ring_in, ring_out;
static struct window window;

/* The burst under way. */
static uint8_t step, first_mux, slow;
static uint16_t burst_at, held_at;
static volatile uint16_t stride; /* from burst to burst [ticks]; 0: a random wait */
static volatile uint16_t overruns;

/* The chopper. */
static uint16_t rose, fell;
static uint8_t rose_ms;
static bool rise_known;
static volatile struct chopper chopper;

float sampling_polled(uint8_t mux, uint16_t count)
{
	uint32_t sum = 0;
	ADMUX = REFERENCE | mux;
	ADCSRA = RUN & (uint8_t)~_BV(ADIE);
	for (int16_t i = -8; i < (int16_t)count; i++) { /* the first ones settle the input */
		ADCSRA |= _BV(ADSC);
		while (ADCSRA & _BV(ADSC))
			;
		uint16_t code = ADC;
		if (i >= 0)
			sum += code;
	}
	return (float)sum / (float)count;
}

static inline uint8_t sync(void) { return SYNC_PIN & _BV(SYNC_BIT); }

static inline bool near(uint16_t instant, uint16_t edge)
{
	return (uint16_t)(instant - edge + GUARD_TICKS) <= 2 * GUARD_TICKS;
}

/* Which time of the chopper an instant not long past was in. Edges are noted before this interrupt is served. */
static inline uint8_t time_at(uint16_t instant, uint16_t now)
{
	uint16_t age = now - instant, rise_age = now - rose, fall_age = now - fell;
	if (!rise_known || near(instant, rose) || near(instant, fell))
		return EDGE;
	if (rise_age < age) /* it rose since */
		return OFF;
	if (fall_age < age)
		return ON;
	return rise_age < fall_age ? ON : OFF;
}

static inline void wait(uint8_t ticks)
{
	TCNT0 = 0;
	OCR0A = ticks;
	TIFR0 = _BV(OCF0A);
	TCCR0B = WAIT_RUN;
}

static void empty(void)
{
	memset(&window, 0, sizeof window);
	for (uint8_t i = 0; i < THERMISTORS; i++)
		window.thermistor[i].low = FULL_CODE;
}

void sampling_start(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		empty();
		SYNC_PORT |= _BV(SYNC_BIT); /* pull-up */
		ADCSRA = RUN;
		TCCR1B |= _BV(ICES1);
		TIFR1 = _BV(ICF1);
		TIMSK1 |= _BV(ICIE1);
		TCCR0A = _BV(WGM01); /* cleared on match */
		TIMSK0 = _BV(OCIE0A);
		wait(SHORTEST_WAIT);
	}
}

ISR(TIMER0_COMPA_vect)
{
	TCCR0B = 0;
	TIFR0 = _BV(OCF0A); /* it may have come round again while another interrupt was being served */
	first_mux ^= 1;
	ADMUX = REFERENCE | first_mux;
	burst_at = TCNT1;
	ADCSRA = RUN | _BV(ADATE) | _BV(ADSC); /* free running */
	held_at = burst_at + HELD_TICKS;
	step = 0;
	_delay_loop_1(30); /* 5.6 us: a cycle of its clock after the start the input may be changed, for the next one */
	ADMUX = REFERENCE | (first_mux ^ 1);
}

static inline void next_burst(void)
{
	/* A shift register that visits 1 to 255: x^8 + x^6 + x^5 + x^4 + 1. */
	static uint8_t dice = 1;
	dice = (uint8_t)(dice >> 1) ^ (dice & 1 ? 0xB8 : 0);
	uint16_t left = stride ? burst_at + stride - TCNT1 : dice;
	if (left < SHORTEST_WAIT || left > 0x8000) /* late */
		left = SHORTEST_WAIT;
	wait(left > LONGEST_WAIT ? LONGEST_WAIT : (uint8_t)left);
}

ISR(ADC_vect)
{
	uint16_t code = ADC, now = TCNT1;
	uint8_t at = step++;
	struct burst *b = ring + ring_in % WAITING;

	if (at > BURST)
		return; /* what was left of a burst given up */
	if (at == BURST) {
		b->thermistor = code;
		b->which = slow;
		b->first_mux = first_mux;
		if (++slow == THERMISTORS)
			slow = 0;
		if ((uint8_t)(ring_in + 1 - ring_out) < WAITING)
			ring_in++;
		else
			overruns++;
		next_burst();
		return;
	}
	/* The next conversion runs by now, with the input chosen before: this is for the one after it. */
	if (at < BURST - 2)
		ADMUX = REFERENCE | (first_mux ^ (at & 1));
	else if (at == BURST - 2)
		ADMUX = REFERENCE | (uint8_t)(MUX_LYE + slow);
	else
		ADCSRA = RUN; /* the one that runs is the burst's last */
	if ((uint16_t)(now - held_at) > 2 * CONVERSION_TICKS - HELD_TICKS - 4) {
		/* Too late: the next result may already have taken the place of this one. */
		overruns++;
		ADCSRA = RUN;
		step = BURST + 1;
		wait(LONGEST_WAIT);
		return;
	}
	b->codes[at] = code;
	b->times[at] = time_at(held_at, now);
	held_at += CONVERSION_TICKS;
}

ISR(TIMER1_CAPT_vect)
{
	uint16_t now = ICR1;
	uint8_t rising = TCCR1B & _BV(ICES1), now_ms = clock_low_ms();
	if (rising) {
		TCCR1B &= (uint8_t)~_BV(ICES1);
		if (rise_known && (uint8_t)(now_ms - rose_ms) < SLOWEST_MS) {
			chopper.periods++;
			chopper.on_ticks += (uint16_t)(fell - rose);
			chopper.period_ticks += (uint16_t)(now - rose);
		}
		rose = now;
		rose_ms = now_ms;
		rise_known = true;
	} else {
		TCCR1B |= _BV(ICES1);
		fell = now;
	}
	TIFR1 = _BV(ICF1); /* changing the edge may have set it */
	if (!sync() == !!rising) {
		/* It moved on meanwhile, too fast to be seen: this period is not counted. */
		chopper.lost++;
		rise_known = false;
		TCCR1B |= _BV(ICES1);
	}
}

/* ---- in the loop */

static void add(struct sums *to, uint16_t code)
{
	to->count++;
	to->sum += code;
	to->squares += (uint32_t)code * code;
}

static void add_burst(const struct burst *b)
{
	for (uint8_t at = 0; at < BURST; at++) {
		uint16_t code = b->codes[at];
		uint8_t time = b->times[at];
		bool is_amps = (b->first_mux ^ at) & 1;
		add(is_amps ? &window.amps[time] : &window.volts[time], code);
		if (is_amps)
			window.amps_clipped += code == 0 || code == FULL_CODE;
		else
			window.volts_clipped += code == FULL_CODE;
		if (!at)
			continue;
		uint16_t before = b->codes[at - 1];
		uint32_t product = (uint32_t)code * before;
		window.near_pairs++;
		window.near_products += product;
		if (time == b->times[at - 1] && time != EDGE) {
			window.pairs[time].count++;
			window.pairs[time].volts += is_amps ? before : code;
			window.pairs[time].amps += is_amps ? code : before;
			window.pairs[time].products += product;
		}
	}
	window.far_pairs++;
	window.far_products += (uint32_t)b->codes[0] * b->codes[BURST - 1];

	uint16_t code = b->thermistor;
	window.thermistor[b->which].count++;
	window.thermistor[b->which].sum += code;
	if (code < window.thermistor[b->which].low)
		window.thermistor[b->which].low = code;
	if (code > window.thermistor[b->which].high)
		window.thermistor[b->which].high = code;
}

void sampling_work(void)
{
	while (ring_out != ring_in) {
		add_burst(ring + ring_out % WAITING);
		ring_out++;
	}
}

/* For a chopper of such a period [ticks]: a stride within timer 0's reach that is a golden section off a whole
 * part of it; 0 where there is none. */
static uint16_t stride_for(float period)
{
	const float shortest = (BURST + 1) * CONVERSION_TICKS + 3 * SHORTEST_WAIT;
	const float longest = (BURST + 1) * CONVERSION_TICKS + LONGEST_WAIT - SHORTEST_WAIT;
	for (float part = 0.618f; part > 0.3f; part -= 0.236f) {
		float found = period / (ceilf(period / longest - part) + part);
		if (found >= shortest && found <= longest)
			return (uint16_t)(found + 0.5f);
	}
	return 0;
}

const struct window *sampling_take(void)
{
	sampling_work();
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		window.chopper = chopper;
		window.overruns = overruns;
		chopper.periods = chopper.lost = overruns = 0;
		chopper.on_ticks = chopper.period_ticks = 0;
	}
	window.sync_high = sync() != 0;
	const struct chopper *c = &window.chopper;
	uint16_t next = c->periods ? stride_for((float)c->period_ticks / c->periods) : 0;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { stride = next; }
	return &window;
}

void sampling_done(void) { empty(); }

uint8_t sampling_alive(void) { return ring_in; }
