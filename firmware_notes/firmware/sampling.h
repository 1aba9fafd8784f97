/* Volts and amps sampled in step with the chopper, and the thermistors between them.
 *
 * The chip has one converter, so volts and amps can not be taken at the same instant: they are taken in turn,
 * 28 us apart, in bursts of four (v i v i, then i v i v).
 *
 * With the chopper's gate signal on the sync pin, timer 1 measures its period and duty, every sample is put to
 * the on time or to the off time, a pair that straddles an edge is left out, and the means of both times are
 * weighed by the measured duty: what an edge does within 28 us then plays no part. Bursts begin a stride apart
 * that goes into the period a whole number of times and a golden section, so that their phases spread evenly
 * over it, sooner and better than chance would.
 *
 * Without the signal, what straddling costs grows in proportion to the distance of the two samples, so that
 * pairs at one distance and at three tell what pairs at none would give; that is right on average and
 * scatters from frame to frame. Bursts then begin after a random wait, so that no chopper stays in step. */
#ifndef SAMPLING_H
#define SAMPLING_H
#include <stdbool.h>
#include <stdint.h>

enum { OFF, ON, EDGE, TIMES }; /* EDGE: the sync pin moved while the sample was taken */
enum { LYE, ROOM, GAS, THERMISTORS };

struct sums {
	uint16_t count;
	uint32_t sum, squares;
};

struct window {
	struct sums volts[TIMES], amps[TIMES]; /* codes */
	struct {
		uint16_t count;
		uint32_t volts, amps, products;
	} pairs[TIMES]; /* neighbours; under EDGE those not in one time */
	uint16_t far_pairs; /* three apart */
	uint32_t far_products;
	uint16_t volts_clipped, amps_clipped;
	struct {
		uint16_t count, low, high;
		uint32_t sum;
	} thermistor[THERMISTORS];
	uint16_t periods; /* whole ones of the chopper */
	uint32_t on_ticks, period_ticks;
	bool sync_high; /* the pin, at the end */
};

/* Mean code of `count` conversions of one input, one after the other; interrupts off, before sampling_start. */
float sampling_polled(uint8_t mux, uint16_t count);
void sampling_start(void);
/* What was gathered since the last call. */
void sampling_take(struct window *to);
/* Goes up with every burst: while it does, the converter lives. */
uint8_t sampling_alive(void);

#define MUX_BANDGAP 14u
#define MUX_GROUND 15u
#define MUX_VOLTS 0u
#define MUX_AMPS 1u
#define MUX_LYE 2u

#endif
