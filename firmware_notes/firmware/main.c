/* Reference firmware of the head: ATmega328P, 16 MHz. See ../firmware.md.
 *
 * It measures, says ten frames a second, and holds the relay. Nothing closes the relay but do=reset or the
 * button, with every cause gone; the limit, a failed thermistor, a silent host, a hung program and any reset
 * of the chip open it. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <math.h>

#include "board.h"
#include "clock.h"
#include "flow.h"
#include "line.h"
#include "protect.h"
#include "sampling.h"
#include "selftest.h"
#include "serial.h"
#include "units.h"

#define FRAME_MS 100u
#define PRESSED_MS 50u
#define WELDED_AMPS 1.0f
#define WELDED_FRAMES 10u
#define WATCHDOG WDTO_250MS

static uint8_t reset_flags __attribute__((section(".noinit")));

/* Before any variable is set up: after a reset by the watchdog it would still be running, with 16 ms. */
void first_of_all(void) __attribute__((naked, used, section(".init3")));
void first_of_all(void)
{
	reset_flags = MCUSR;
	MCUSR = 0;
	wdt_disable();
}

static uint8_t faults;
static float amps_zero;

static void say_hello(void)
{
	line_text(PSTR("hello=" DEVICE_NAME));
	line_text(PSTR("version=1"));
	line_text(reset_flags & _BV(PORF)    ? PSTR("reset=power")
		  : reset_flags & _BV(BORF)  ? PSTR("reset=brownout")
		  : reset_flags & _BV(WDRF)  ? PSTR("reset=watchdog")
		  : reset_flags & _BV(EXTRF) ? PSTR("reset=pin")
					     : PSTR("reset=unknown"));
	line_text(faults ? PSTR("test=failed") : PSTR("test=ok"));
	line_end();
}

static void obey(struct command command, uint32_t now_ms)
{
	const char *why = 0;
	switch (command.action) {
	case ACTION_TRIP:
		protect_trip();
		break;
	case ACTION_BEAT:
		protect_beat(now_ms);
		break;
	case ACTION_RESET:
		why = protect_reset(now_ms);
		break;
	case ACTION_UNKNOWN:
		why = PSTR("why=unknown");
		break;
	case ACTION_NONE:
		return;
	}
	line_count(PSTR("ack="), command.n);
	line_count(PSTR("ok="), why ? 0 : 1);
	if (why)
		line_text(why);
	line_end();
}

static void look_for_weld(float amps)
{
	static uint8_t frames;
	if (protect_closed() || !(fabsf(amps) > WELDED_AMPS))
		frames = 0;
	else if (frames < WELDED_FRAMES)
		frames++;
	if (frames == WELDED_FRAMES)
		faults |= FAULT_WELDED;
	else if (protect_closed())
		faults &= (uint8_t)~FAULT_WELDED;
}

static void frame(uint32_t now_ms)
{
	static uint32_t seq;
	struct readings r;
	const struct window *window = sampling_take();
	float flow = flow_lpm(clock_ticks());
	uint32_t pulses = flow_pulses();
	units_convert(window, amps_zero, &r);
	uint8_t present = (units_too_fast(window) ? FAULT_FAST : 0) | (window->overruns ? FAULT_LATE : 0);
	sampling_done();
	protect_temperature(r.celsius[LYE]);
	protect_tick(now_ms);
	look_for_weld(r.amps);
	line_count(PSTR("seq="), seq++);
	line_count(PSTR("ms="), now_ms - FRAME_MS / 2); /* means belong to the middle of their window */
	line_number(PSTR("volts="), r.volts, 3);
	line_number(PSTR("amps="), r.amps, 3);
	line_number(PSTR("watts="), r.watts, 2);
	sampling_work(); /* words take their time */
	line_number(PSTR("vrms="), r.volts_rms, 3);
	line_number(PSTR("arms="), r.amps_rms, 3);
	line_number(PSTR("duty="), r.duty, 4);
	sampling_work();
	line_number(PSTR("temp="), r.celsius[LYE], 2);
	line_number(PSTR("room="), r.celsius[ROOM], 2);
	line_number(PSTR("gastemp="), r.celsius[GAS], 2);
	sampling_work();
	line_number(PSTR("flow="), flow, 3);
	line_count(PSTR("pulses="), pulses);
	line_count(PSTR("relay="), protect_closed());
	line_count(PSTR("trip="), protect_cause());
	line_count(PSTR("fault="), faults | present);
	line_end();
}

/* True once, when the button has been held. */
static bool pressed(uint32_t now_ms)
{
	static uint32_t since_ms;
	static bool down, told;
	if (PIND & _BV(BUTTON_BIT)) {
		down = told = false;
		return false;
	}
	if (!down) {
		down = true;
		since_ms = now_ms;
	}
	if (told || now_ms - since_ms < PRESSED_MS)
		return false;
	return told = true;
}

static void show(uint32_t now_ms)
{
	bool lit = protect_closed() || (protect_cause() != TRIP_NONE && (now_ms & 512));
	if (lit)
		PORTB |= _BV(LAMP_BIT);
	else
		PORTB &= (uint8_t)~_BV(LAMP_BIT);
}

int main(void)
{
	protect_start(!(reset_flags & _BV(PORF)));
	DDRB |= _BV(LAMP_BIT);
	PORTD |= _BV(BUTTON_BIT);
	faults = selftest_chip();
	faults |= selftest_inputs(&amps_zero);
	if (faults & FAULTS_FATAL)
		protect_distrust();
	serial_start();
	clock_start();
	flow_start();
	sampling_start();
	wdt_enable(WATCHDOG);
	set_sleep_mode(SLEEP_MODE_IDLE);
	sei();
	say_hello();

	uint32_t due_ms = FRAME_MS, before_ms = 0;
	uint8_t alive = sampling_alive();
	for (;;) {
		sleep_mode(); /* until the next interrupt, a fraction of a millisecond away */
		for (int16_t c; (c = serial_get()) >= 0;)
			obey(line_hear((char)c), clock_ms());
		sampling_work();
		uint32_t now_ms = clock_ms();
		if (now_ms == before_ms)
			continue;
		before_ms = now_ms;
		/* Fed only while the clock and the converter go on: what protects rests on both. */
		if (alive != sampling_alive()) {
			alive = sampling_alive();
			wdt_reset();
		}
		if (pressed(now_ms))
			protect_reset(now_ms);
		protect_tick(now_ms);
		if ((int32_t)(now_ms - due_ms) >= 0) {
			due_ms += FRAME_MS;
			frame(now_ms);
		}
		show(now_ms);
	}
}
