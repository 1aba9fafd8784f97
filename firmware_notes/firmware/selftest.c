#include "selftest.h"

#include <avr/io.h>
#include <math.h>
#include <stdbool.h>

#include "board.h"
#include "line.h"
#include "sampling.h"
#include "units.h"

#define BANDGAP_MV 1100.0f
#define SAMPLES 64u

/* Each cell is put back before the next is touched, and nothing is called meanwhile: the stack is not in use. */
static bool ram_good(void)
{
	for (volatile uint8_t *cell = (volatile uint8_t *)RAMSTART; cell <= (volatile uint8_t *)RAMEND; cell++) {
		uint8_t kept = *cell;
		*cell = 0x55;
		uint8_t first = *cell;
		*cell = 0xAA;
		uint8_t second = *cell;
		*cell = kept;
		if (first != 0x55 || second != 0xAA)
			return false;
	}
	return true;
}

uint8_t selftest_chip(void)
{
	uint8_t faults = ram_good() ? 0 : FAULT_RAM;
	uint16_t crc = 0xFFFF;
	for (uint8_t c = '1'; c <= '9'; c++)
		crc = line_crc(crc, c);
	return crc == 0x29B1 ? faults : faults | FAULT_CRC;
}

uint8_t selftest_inputs(float *amps_zero)
{
	uint8_t faults = 0;
	float ground = sampling_polled(MUX_GROUND, SAMPLES);
	float wanted = BANDGAP_MV * CODES_PER_MV, bandgap = sampling_polled(MUX_BANDGAP, SAMPLES);
	if (ground > 3.0f || fabsf(bandgap / wanted - 1.0f) > AVCC_TOLERANCE)
		faults |= FAULT_ADC;
	if (RELAY_PIN & _BV(RELAY_BIT))
		faults |= FAULT_RELAY;
	float nominal = AMPLIFIER_ZERO_MV * CODES_PER_MV;
	*amps_zero = sampling_polled(MUX_AMPS, SAMPLES);
	if (fabsf(*amps_zero - nominal) > AMPLIFIER_ZERO_TOLERANCE_MV * CODES_PER_MV) {
		*amps_zero = nominal;
		faults |= FAULT_ZERO;
	}
	return faults;
}
