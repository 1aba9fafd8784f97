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
/* 500 kHz: above the 200 kHz up to which all ten bits are promised, below the 1 MHz up to which it is
 * characterised; the means of a window make up for it. */
#define RUN (_BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS0))
#define FULL_CODE 1023u
#define BURST 4u
#define SHORTEST_WAIT 8u /* half microseconds */
#define WAIT_RUN _BV(CS01) /* timer 0 at clk/8 */

static struct window gathered;
static volatile uint8_t bursts;

/* The burst under way. */
static uint8_t step, first_mux, slow;
static uint8_t before; /* sync pin when the conversion was started */
static uint8_t time_now;
static uint16_t code_before, code_first;
static uint8_t time_before;

static volatile uint16_t stride; /* from burst to burst [ticks]; 0: a random wait */
static uint16_t burst_at;

/* The chopper's period under way. */
static uint32_t rose, fell;
static bool rise_known;

static void empty(struct window *w)
{
	memset(w, 0, sizeof *w);
	for (uint8_t i = 0; i < THERMISTORS; i++)
		w->thermistor[i].low = FULL_CODE;
}

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

static inline void convert(uint8_t mux)
{
	ADMUX = REFERENCE | mux;
	ADCSRA = RUN | _BV(ADSC);
	before = sync();
}

/* At least 3 us after `convert`, when the input has been sampled: which time of the chopper that was. */
static inline uint8_t time_of_sample(void)
{
	uint8_t after = sync();
	return after != before ? EDGE : after ? ON : OFF;
}

static inline void add(struct sums *to, uint16_t code)
{
	to->count++;
	to->sum += code;
	to->squares += (uint32_t)code * code;
}

static inline void wait(uint8_t half_us)
{
	TCNT0 = 0;
	OCR0A = half_us;
	TIFR0 = _BV(OCF0A);
	TCCR0B = WAIT_RUN;
}

void sampling_start(void)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		empty(&gathered);
		SYNC_PORT |= _BV(SYNC_BIT); /* pull-up */
		ADCSRA = RUN;
		rise_known = false;
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
	burst_at = TCNT1;
	step = 0;
	first_mux ^= 1;
	convert(first_mux);
	_delay_loop_1(22); /* 66 cycles: the input is sampled 1.5 to 2.5 cycles of the converter's clock after its start */
	time_now = time_of_sample();
}

ISR(ADC_vect)
{
	static uint8_t dice = 1;
	uint16_t code = ADC;
	uint8_t at = step++, time = time_now;

	if (at < BURST - 1) {
		convert(first_mux ^ ((at + 1) & 1));
	} else if (at == BURST - 1) {
		convert((uint8_t)(MUX_LYE + slow));
	} else {
		gathered.thermistor[slow].count++;
		gathered.thermistor[slow].sum += code;
		if (code < gathered.thermistor[slow].low)
			gathered.thermistor[slow].low = code;
		if (code > gathered.thermistor[slow].high)
			gathered.thermistor[slow].high = code;
		if (++slow == THERMISTORS)
			slow = 0;
		bursts++;
		/* A shift register that visits 1 to 255: x^8 + x^6 + x^5 + x^4 + 1. */
		dice = (uint8_t)(dice >> 1) ^ (dice & 1 ? 0xB8 : 0);
		uint16_t left = stride ? burst_at + stride - TCNT1 : dice;
		wait(left < SHORTEST_WAIT || left > 0x8000 ? SHORTEST_WAIT : left > 255 ? 255 : (uint8_t)left);
		return;
	}
	bool is_amps = (first_mux ^ at) & 1;
	add(is_amps ? &gathered.amps[time] : &gathered.volts[time], code);
	time_now = time_of_sample(); /* of the conversion started above, some 5 us ago */
	if (code == FULL_CODE || (is_amps && code == 0)) {
		if (is_amps)
			gathered.amps_clipped++;
		else
			gathered.volts_clipped++;
	}
	if (at == 0) {
		code_first = code;
	} else {
		uint8_t both = time == time_before ? time : EDGE;
		gathered.pairs[both].count++;
		gathered.pairs[both].volts += is_amps ? code_before : code;
		gathered.pairs[both].amps += is_amps ? code : code_before;
		gathered.pairs[both].products += (uint32_t)code * code_before;
		if (at == BURST - 1) {
			gathered.far_pairs++;
			gathered.far_products += (uint32_t)code * code_first;
		}
	}
	code_before = code;
	time_before = time;
}

ISR(TIMER1_CAPT_vect)
{
	uint32_t now = clock_extend(ICR1);
	uint8_t rising = TCCR1B & _BV(ICES1);
	if (rising) {
		if (rise_known) {
			gathered.periods++;
			gathered.on_ticks += fell - rose;
			gathered.period_ticks += now - rose;
		}
		rose = now;
		rise_known = true;
		TCCR1B &= (uint8_t)~_BV(ICES1);
	} else {
		fell = now;
		TCCR1B |= _BV(ICES1);
	}
	TIFR1 = _BV(ICF1); /* changing the edge may have set it */
	if (!sync() == !!rising) {
		/* It moved on meanwhile, too fast to be seen: this period is not counted. */
		rise_known = false;
		TCCR1B |= _BV(ICES1);
	}
}

#define LONGEST_STRIDE 540.0f /* the burst's 150 us and the longest wait of timer 0 [ticks] */
#define SHORTEST_STRIDE 310.0f
#define GOLDEN 0.618f

/* For a chopper of such a period [ticks]: the longest stride that is a golden section off a whole part of it. */
static uint16_t stride_for(float period)
{
	float found = period / (ceilf(period / LONGEST_STRIDE - GOLDEN) + GOLDEN);
	return found < SHORTEST_STRIDE || found > LONGEST_STRIDE ? 0 : (uint16_t)(found + 0.5f);
}

void sampling_take(struct window *to)
{
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
	{
		*to = gathered;
		empty(&gathered);
	}
	to->sync_high = sync() != 0;
	uint16_t next = to->periods ? stride_for((float)to->period_ticks / to->periods) : 0;
	ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { stride = next; }
}

uint8_t sampling_alive(void) { return bursts; }
