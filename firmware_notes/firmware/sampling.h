/* Volts and amps sampled in step with the chopper, and the thermistors between them.
 *
 * The chip has one converter, so volts and amps can not be taken at the same instant: they are taken in turn,
 * 52 us apart, in bursts of four (v i v i, then i v i v) in which the converter starts itself, so that no
 * interrupt shifts a sample.
 *
 * With the chopper's gate signal on the sync pin, timer 1 notes its edges: every sample is put to the on time
 * or to the off time by when it was taken, and the means of both times are weighed by the measured duty, so
 * that it does not matter how many samples happened to fall into each. Volts times amps within one time is the
 * product of their means and what they vary together; a pair that straddles an edge tells nothing of that and
 * is left out. Bursts begin a stride apart that goes into the period a whole number of times and a golden section, so
 * that their phases spread evenly over it, sooner and better than chance would.
 *
 * Without the signal, what straddling costs grows in proportion to the distance of the two samples, so that
 * pairs at one distance and at three tell what pairs at none would give; that is right on average, for pulses
 * longer than three distances, and scatters from frame to frame. Bursts then begin after a random wait, so that no
 * chopper stays in step. */
#ifndef SAMPLING_H
#define SAMPLING_H
#include <stdbool.h>
#include <stdint.h>

enum { OFF, ON, EDGE, TIMES }; /* EDGE: too near one to tell */
enum { LYE, ROOM, GAS, THERMISTORS };

struct sums {
	uint16_t count;
	uint32_t sum, squares;
};

struct chopper {
	uint16_t periods; /* whole ones */
	uint16_t lost;    /* of which an edge was not seen */
	uint32_t on_ticks, period_ticks;
};

struct window {
	struct sums volts[TIMES], amps[TIMES]; /* codes */
	struct {
		uint16_t count;
		uint32_t volts, amps, products;
	} pairs[EDGE]; /* neighbours in one time */
	uint16_t near_pairs, far_pairs; /* neighbours whatever their times, and those three apart */
	uint32_t near_products, far_products;
	uint16_t volts_clipped, amps_clipped;
	struct {
		uint16_t count, low, high;
		uint32_t sum;
	} thermistor[THERMISTORS];
	struct chopper chopper;
	uint16_t overruns; /* bursts given up because an interrupt came too late */
	bool sync_high;    /* the pin, at the end */
};

/* Mean code of `count` conversions of one input, one after the other; interrupts off, before sampling_start. */
float sampling_polled(uint8_t mux, uint16_t count);
void sampling_start(void);
/* Adds up what the interrupts have noted; to be called every few milliseconds. */
void sampling_work(void);
/* What was gathered since sampling_done, which begins anew: nothing is added between the two. */
const struct window *sampling_take(void);
void sampling_done(void);
/* Goes up with every burst: while it does, the converter lives. */
uint8_t sampling_alive(void);

#define MUX_BANDGAP 14u
#define MUX_GROUND 15u
#define MUX_VOLTS 0u
#define MUX_AMPS 1u
#define MUX_LYE 2u

#endif
