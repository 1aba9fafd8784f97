/* What is tried before anything is trusted. */
#ifndef SELFTEST_H
#define SELFTEST_H
#include <stdint.h>

/* Bits of the frame's field `fault`. */
#define FAULT_RAM 1u    /* a cell of the memory did not keep what was written */
#define FAULT_CRC 2u    /* the checksum of "123456789" is not 29B1h */
#define FAULT_ADC 4u    /* ground or the internal 1.1 V read wrong: converter or its 5 V */
#define FAULT_ZERO 8u   /* amps at no current off by more than AMPLIFIER_ZERO_TOLERANCE_MV */
#define FAULT_RELAY 16u /* the relay's pin is not low when driven low */
#define FAULT_WELDED 32u /* while running: current flows through an open relay */

#define FAULT_FAST 64u   /* at present: a chopper too fast to follow, or pulses too short */
#define FAULT_LATE 128u  /* at present: bursts of samples were lost for want of time */

/* With these the temperature is not to be trusted either, and the relay stays open. */
#define FAULTS_FATAL (FAULT_RAM | FAULT_CRC | FAULT_ADC | FAULT_RELAY)

/* First of all, with interrupts off: memory, checksum. */
uint8_t selftest_chip(void);
/* With the relay's pin driven low, interrupts off: converter, pin, and the code of no current. */
uint8_t selftest_inputs(float *amps_zero);

#endif
