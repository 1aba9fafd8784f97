/* What this board is made of: pins, component values, limits. The one file that a builder edits.
 *
 * Values are those of firmware_notes/bill_of_materials.md. Tests read the numbers from here, and work out
 * from them, by their own formulas, what the converter's inputs would see. */
#ifndef BOARD_H
#define BOARD_H

#define DEVICE_NAME "torch-head" /* letters, digits, dot, dash, underscore; 32 at most */
#define BAUD 115200UL

/* ---- limits: the device's own, above the host's trip and below the thermal cut-out's */
#define LIMIT_C 75.0f          /* lye temperature at which the relay opens [degC]; 58 in rigid PVC or acrylic */
#define LIMIT_DEADBAND_K 2.0f  /* so far it must fall before a reset is taken [K] */
#define BLIND_WINDOWS 3u       /* so many tenths of a second without a temperature open the relay */
#define BEAT_TIMEOUT_MS 1950u  /* the format says 2 s; the rest is for the loop to notice [ms] */

/* ---- converter: reference is AVCC, which must be a clean 5 V */
#define AVCC_MV 5000.0f
#define AVCC_TOLERANCE 0.12f /* the internal 1.1 V that checks it is good for 10 % */

/* ADC0: volts at the stack's own terminals, through a divider */
#define DIVIDER_TOP_OHM 56000.0f
#define DIVIDER_BOTTOM_OHM 10000.0f

/* ADC1: amps, shunt in the negative lead and amplifier. A Hall sensor is its mV/A and its mV at no current. */
#define SHUNT_MILLIOHM 1.0f
#define AMPLIFIER_GAIN 100.0f
#define AMPS_MV_PER_A (SHUNT_MILLIOHM * AMPLIFIER_GAIN)
#define AMPLIFIER_ZERO_MV 500.0f
#define AMPLIFIER_ZERO_TOLERANCE_MV 50.0f /* further off at start, with the relay open, and the self-test fails */

/* ADC2 lye, ADC3 room, ADC4 gas: thermistors to ground, pulled up to AVCC */
#define NTC_R25_OHM 10000.0f
#define NTC_BETA_K 3950.0f
#define NTC_PULLUP_OHM 4700.0f
#define NTC_SHORT_CODE 20u   /* below: shorted, or hotter than 170 degC */
#define NTC_OPEN_CODE 1010u  /* above: open, or colder than about -40 degC */
#define NTC_SPREAD_CODE 120u /* more between the samples of one window: a loose contact */

/* PD2 (INT0): pulse flow meter, one falling edge a pulse */
#define FLOW_PULSES_PER_LITRE 1000.0f
#define FLOW_DEAD_US 400u   /* edges sooner after a pulse are bounces */
#define FLOW_STOPPED_MS 3000u

/* ---- pins */
#define RELAY_PORT PORTB
#define RELAY_DDR DDRB
#define RELAY_PIN PINB
#define RELAY_BIT PB1 /* high closes; a pull-down at the driver's gate opens it when the pin floats */
#define LAMP_BIT PB5  /* lit while the relay is closed, blinks while a trip stands */
#define SYNC_PIN PINB
#define SYNC_PORT PORTB
#define SYNC_BIT PB0   /* ICP1: high while the chopper conducts; left open it reads high, no chopping */
#define FLOW_BIT PD2   /* INT0 */
#define BUTTON_BIT PD3 /* to ground: a person at the bench asks for what do=reset asks */

#endif
