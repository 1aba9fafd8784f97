/* From a window's codes to volts, amps, watts and degrees. */
#ifndef UNITS_H
#define UNITS_H
#include "sampling.h"

struct readings {
	float volts, amps, watts;  /* means; watts is the mean of v times i. NAN: out of range */
	float volts_rms, amps_rms; /* direct part included */
	float duty;                /* 1 when nothing chops */
	float celsius[THERMISTORS]; /* NAN: open, shorted, or loose */
};

/* `amps_zero` is the code at no current. */
void units_convert(const struct window *w, float amps_zero, struct readings *r);
/* The chopper can not be followed: then volts, amps and watts are NAN, for interrupts would be in step with it. */
bool units_too_fast(const struct window *w);
/* Temperature of a thermistor whose mean code is `code` [degC]. */
float units_celsius(float code);

#define CODES_PER_MV (1024.0f / AVCC_MV)

#endif
