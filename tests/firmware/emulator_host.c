/* Runs the reference firmware in libsimavr: its serial line on a pseudo-terminal, its inputs driven and its
 * relay's pin watched by lines on standard input and output. A program of its own, for tests only: libsimavr
 * is under the GPL, version 3, and no part of the product. tests/firmware/emulator.py is its other half.
 *
 *   emulator_host [-l LINK] [-s SPEED] FIRMWARE.elf
 *
 * SPEED 1 is real time; 0 (the default) moves only on `run`. Commands, each answered by one line "ok ..." or "err ...":
 *   level CH MV             a steady input
 *   wave CH ON OFF TAU_US   an input that follows the chopper, [mV], with a time constant
 *   chop PERIOD_US DUTY     the chopper; PERIOD_US 0 holds it on. `chop` drives the sync pin unless `sync 0`
 *   noise LSB               standard deviation of the converter's noise
 *   avcc MV                 its reference
 *   pin PORT BIT 0|1        a digital input
 *   pulses PORT BIT N PERIOD_US   N low-going pulses; `rate PORT BIT HZ` pulses for ever
 *   run MS                  let virtual time pass (answered when it has)
 *   rx N                    wait until N bytes in all have come in from the terminal
 *   speed S | time | stat | relay | opened | reset power|brownout|pin|watchdog | ram ADDR [VALUE] | unplug | plug | quit
 * Unasked: "pty PATH", "relay 0|1 @US", "crashed ...".
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#define CLOCK_HZ 16000000
#define BAUD 115200
#define CHANNELS 8
#define MCUSR 0x54 /* data-space addresses of the ATmega328P */
#define PORTB_AT 0x25
#define DDRB_AT 0x24
#define RELAY_BIT 1
#define RAM_FROM 0x100
#define RAM_TO 0x900
#define SLICE_CYCLES (CLOCK_HZ / 1000)

static avr_t *avr;
static double speed;

static void say(const char *format, ...)
{
	va_list arguments;
	va_start(arguments, format);
	vprintf(format, arguments);
	va_end(arguments);
	putchar('\n');
	fflush(stdout);
}

static unsigned long long now_us(void) { return avr->cycle / (CLOCK_HZ / 1000000); }

/* ---- the pseudo-terminal */

static int terminal = -1;
static const char *link_path;
static avr_irq_t *rx_irq;
static unsigned char out[1 << 17], in[8192]; /* a reader that is stalled for half a minute loses nothing */
static unsigned out_n, in_head, in_tail;
static unsigned long sent, dropped, received;

static void unplug(void)
{
	if (terminal >= 0)
		close(terminal);
	terminal = -1;
	if (link_path)
		unlink(link_path);
}

static int plug(void)
{
	char name[64];
	struct termios raw;
	if (terminal >= 0)
		return 0;
	terminal = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
	if (terminal < 0 || grantpt(terminal) || unlockpt(terminal) || ptsname_r(terminal, name, sizeof name))
		return -1;
	/* Opened once in raw mode and closed again: from here on a hang-up means that nobody is there. */
	int end = open(name, O_RDWR | O_NOCTTY);
	if (end < 0 || tcgetattr(end, &raw))
		return -1;
	cfmakeraw(&raw);
	tcsetattr(end, TCSANOW, &raw);
	close(end);
	if (link_path) {
		char fresh[4096];
		snprintf(fresh, sizeof fresh, "%s.new", link_path);
		unlink(fresh);
		if (symlink(name, fresh) || rename(fresh, link_path))
			return -1;
	}
	say("pty %s", name);
	return 0;
}

static void on_sent(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq, (void)param;
	sent++;
	if (out_n < sizeof out)
		out[out_n++] = (unsigned char)value;
	else
		dropped++;
}

/* One byte in the time that it takes on the line. */
static avr_cycle_count_t on_receive(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)a, (void)param;
	if (in_head == in_tail)
		return 0;
	avr_raise_irq(rx_irq, in[in_tail++ % sizeof in]);
	return when + 10ull * CLOCK_HZ / BAUD;
}

static void service_terminal(void)
{
	if (terminal < 0) {
		dropped += out_n;
		out_n = 0;
		return;
	}
	struct pollfd ready = {terminal, POLLIN, 0};
	poll(&ready, 1, 0);
	if (ready.revents & POLLIN) {
		unsigned char chunk[512];
		size_t room = sizeof in - (in_head - in_tail);
		ssize_t n = read(terminal, chunk, room < sizeof chunk ? room : sizeof chunk);
		int idle = in_head == in_tail;
		for (ssize_t i = 0; i < n; i++)
			in[in_head++ % sizeof in] = chunk[i];
		if (n > 0) {
			received += (unsigned long)n;
			if (idle)
				avr_cycle_timer_register(avr, 1, on_receive, NULL);
		}
	}
	if (!out_n)
		return;
	if (ready.revents & POLLHUP) { /* as by a wire with nobody at its end */
		dropped += out_n;
		out_n = 0;
		return;
	}
	unsigned done = 0;
	for (int tries = 0; done < out_n; tries++) {
		ssize_t n = write(terminal, out + done, out_n - done);
		if (n > 0) {
			done += (unsigned)n;
			continue;
		}
		/* In real time what does not fit waits for the next slice; in lockstep time waits for the reader. */
		if (speed > 0 || errno != EAGAIN || tries > 5000)
			break;
		struct pollfd room = {terminal, POLLOUT, 0};
		poll(&room, 1, 1);
	}
	memmove(out, out + done, out_n - done);
	out_n -= done;
}

/* ---- the chopper and the analogue inputs */

static struct {
	double on, off, tau_us;
} input[CHANNELS];
static double noise = 0.3, period_us, duty = 1.0;
static int with_sync = 1;
static avr_cycle_count_t chop_from; /* when a period began */
static avr_irq_t *sync_irq, *capture_irq;
static avr_irq_t *adc_irq[CHANNELS];

static void drive_sync(int level)
{
	/* Without this the emulator puts an input that has its pull-up on back to high whenever its port is written. */
	avr_ioport_external_t driven = {.name = 'B', .mask = 1, .value = (unsigned long)level};
	avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('B'), &driven);
	avr_raise_irq(sync_irq, (uint32_t)level);
	avr_raise_irq(capture_irq, (uint32_t)level);
}

static double cycles(double us) { return us * (CLOCK_HZ / 1e6); }

static avr_cycle_count_t on_chop(avr_t *a, avr_cycle_count_t when, void *param)
{
	static unsigned long long edge; /* counted, so that a period of a broken number of cycles does not drift */
	(void)a;
	if (param)
		edge = 0;
	if (with_sync)
		drive_sync(!(edge & 1));
	edge++;
	double next = (double)(edge / 2) * period_us + (edge & 1 ? duty * period_us : 0.0);
	avr_cycle_count_t at = chop_from + (avr_cycle_count_t)llround(cycles(next));
	return at > when ? at : when + 1;
}

static avr_cycle_count_t on_chop_first(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)param;
	chop_from = when;
	avr_cycle_count_t next = on_chop(a, when, &input);
	avr_cycle_timer_register(a, next > when ? next - when : 1, on_chop, NULL);
	return 0;
}

static void chop(double period, double share)
{
	avr_cycle_timer_cancel(avr, on_chop, NULL);
	avr_cycle_timer_cancel(avr, on_chop_first, NULL);
	period_us = period > 0.0 && share > 0.0 && share < 1.0 ? period : 0.0;
	duty = share;
	if (period_us > 0.0)
		avr_cycle_timer_register(avr, 1, on_chop_first, NULL);
	else if (with_sync)
		drive_sync(share > 0.0);
}

/* The input's voltage [mV] at a cycle, in the steady state of a wave that approaches ON or OFF exponentially. */
static double wave(int channel, double cycle)
{
	double on = input[channel].on, off = input[channel].off, tau = input[channel].tau_us;
	if (period_us <= 0.0)
		return duty > 0.0 ? on : off;
	double at = fmod((cycle - (double)chop_from) / (CLOCK_HZ / 1e6), period_us), up = duty * period_us;
	if (tau <= 0.0)
		return at < up ? on : off;
	double rise = exp(-up / tau), fall = exp(-(period_us - up) / tau);
	double low = off + (on - off) * (1.0 - rise) * fall / (1.0 - rise * fall);
	double high = on + (low - on) * rise;
	return at < up ? on + (low - on) * exp(-at / tau) : off + (high - off) * exp(-(at - up) / tau);
}

static double normal(void)
{
	static unsigned long long state = 88172645463325252ull; /* xorshift; equal runs are equal to the byte */
	double sum = 0.0;
	for (int i = 0; i < 12; i++) {
		state ^= state << 13;
		state ^= state >> 7;
		state ^= state << 17;
		sum += (double)(state >> 11) / 9007199254740992.0;
	}
	return sum - 6.0;
}

#define CONVERTER_DIVIDER 64 /* cycles to one of the converter's clock, as the firmware sets it */

static uint32_t converting;

/* On the chip the input is chosen when a conversion starts; the emulator looks when the result is read, and in
 * free running the next conversion has its input by then. So every input shows the result of the conversion
 * that ends, from its end to the next one's. */
static avr_cycle_count_t on_converted(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)a, (void)when, (void)param;
	for (int i = 0; i < CHANNELS; i++)
		avr_raise_irq(adc_irq[i], converting);
	return 0;
}

/* A conversion starts; the input is held 1.5 cycles of the converter's clock later. The data sheet's ideal
 * transfer: code n from n - 1/2 to n + 1/2 of reference/1024. */
static void on_convert(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq, (void)param;
	union {
		avr_adc_mux_t mux;
		uint32_t v;
	} started = {.v = value};
	if (started.mux.kind != ADC_MUX_SINGLE || started.mux.src >= CHANNELS)
		return;
	double held = wave(started.mux.src, (double)avr->cycle + 1.5 * CONVERTER_DIVIDER);
	double code = floor(held * 1024.0 / avr->avcc + 0.5 + noise * normal());
	code = code < 0.0 ? 0.0 : code > 1023.0 ? 1023.0 : code;
	/* The emulator scales by 1023 and cuts: the millivolts from which it makes this very code. */
	converting = (uint32_t)ceil(code * avr->avcc / 1023.0);
	avr_cycle_timer_register(avr, 13 * CONVERTER_DIVIDER - 1, on_converted, NULL);
}

/* ---- pulses */

static struct {
	avr_irq_t *irq;
	long left; /* -1: for ever */
	avr_cycle_count_t half;
	int level;
} pulse;

static avr_cycle_count_t on_pulse(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)a, (void)param;
	avr_raise_irq(pulse.irq, (uint32_t)(pulse.level ^= 1));
	if (pulse.level && pulse.left > 0 && --pulse.left == 0)
		return 0;
	return when + pulse.half;
}

static void start_pulses(char port, int bit, long count, double pulse_us)
{
	avr_cycle_timer_cancel(avr, on_pulse, NULL);
	pulse.irq = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit);
	pulse.left = count;
	pulse.level = 1;
	avr_raise_irq(pulse.irq, 1);
	pulse.half = (avr_cycle_count_t)(cycles(pulse_us) / 2.0);
	if (count && pulse.half)
		avr_cycle_timer_register(avr, pulse.half, on_pulse, NULL);
}

/* ---- the chip */

/* What a driver at the pin sees: closed only while it is an output and high. A reset makes it neither, and
 * that the emulator tells nobody, so it is looked at after every instruction. */
static int relay(void) { return (avr->data[DDRB_AT] & avr->data[PORTB_AT]) >> RELAY_BIT & 1; }

static void watch_relay(void)
{
	static int before;
	int closed = relay();
	if (closed != before)
		say("relay %d @%llu", before = closed, now_us());
}

static void quiet(avr_t *a, const int level, const char *format, va_list arguments)
{
	(void)a;
	if (level <= LOG_ERROR)
		vfprintf(stderr, format, arguments);
}

static void no_sleep(avr_t *a, avr_cycle_count_t count) { (void)a, (void)count; } /* the main loop keeps pace */

static int reset(const char *why)
{
	uint8_t flag = !strcmp(why, "power") ? 1 : !strcmp(why, "pin") ? 2 : !strcmp(why, "brownout") ? 4 : 8;
	avr_reset(avr);
	avr->data[MCUSR] = flag;
	if (flag == 1)
		for (int at = RAM_FROM; at < RAM_TO; at++) /* memory comes up with anything in it */
			avr->data[at] = (uint8_t)(at * 197 + 89);
	/* The reset has forgotten what the pins are driven to. */
	for (int bit = 2; bit <= 3; bit++) {
		avr_irq_t *irq = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), bit);
		uint32_t level = irq->value;
		avr_raise_irq(irq, !level);
		avr_raise_irq(irq, level);
	}
	drive_sync(0);
	drive_sync(1);
	chop(period_us, duty);
	return 0;
}

static int load(const char *file)
{
	elf_firmware_t firmware;
	memset(&firmware, 0, sizeof firmware);
	avr_global_logger_set(quiet); /* the default one writes to standard output */
	if (elf_read_firmware(file, &firmware) || !(avr = avr_make_mcu_by_name("atmega328p")))
		return -1;
	avr_init(avr);
	avr->log = LOG_ERROR;
	firmware.frequency = CLOCK_HZ;
	avr_load_firmware(avr, &firmware);
	avr->frequency = CLOCK_HZ;
	avr->vcc = avr->avcc = avr->aref = 5000;
	avr->sleep = no_sleep;
	uint32_t flags = 0; /* no copy of the line on standard output, no pause when its status is polled */
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, NULL);
	rx_irq = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), on_convert, NULL);
	for (int i = 0; i < CHANNELS; i++)
		adc_irq[i] = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + i);
	sync_irq = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
	capture_irq = avr_io_getirq(avr, AVR_IOCTL_TIMER_GETIRQ('1'), TIMER_IRQ_IN_ICP);
	avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 2), 1); /* pulled up */
	avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 3), 1);
	return reset("power");
}

/* ---- commands */

static long long run_until = -1;

/* Returns 1 to end. */
static int command(const char *line)
{
	char port, word[16];
	int channel, bit, level, at;
	long count;
	double a, b, c;
	if (sscanf(line, "level %d %lf", &channel, &a) == 2 && channel >= 0 && channel < CHANNELS) {
		input[channel].on = input[channel].off = a;
		input[channel].tau_us = 0.0;
	} else if (sscanf(line, "wave %d %lf %lf %lf", &channel, &a, &b, &c) == 4 && channel >= 0 && channel < CHANNELS) {
		input[channel].on = a;
		input[channel].off = b;
		input[channel].tau_us = c;
	} else if (sscanf(line, "chop %lf %lf", &a, &b) == 2) {
		chop(a, b);
	} else if (sscanf(line, "sync %d", &with_sync) == 1) {
		drive_sync(1);
	} else if (sscanf(line, "noise %lf", &noise) == 1) {
	} else if (sscanf(line, "avcc %d", &level) == 1 && level > 0) {
		avr->avcc = (uint32_t)level;
	} else if (sscanf(line, "pin %c %d %d", &port, &bit, &level) == 3) {
		avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit), (uint32_t)level);
	} else if (sscanf(line, "pulses %c %d %ld %lf", &port, &bit, &count, &a) == 4) {
		start_pulses(port, bit, count, a);
	} else if (sscanf(line, "rate %c %d %lf", &port, &bit, &a) == 3) {
		start_pulses(port, bit, a > 0.0 ? -1 : 0, a > 0.0 ? 1e6 / a : 0.0);
	} else if (sscanf(line, "run %lf", &a) == 1) {
		run_until = (long long)avr->cycle + (long long)(a * (CLOCK_HZ / 1000));
		return 0;
	} else if (sscanf(line, "rx %ld", &count) == 1) {
		for (int i = 0; i < 10000 && received < (unsigned long)count; i++) {
			service_terminal();
			usleep(1000);
		}
		say(received >= (unsigned long)count ? "ok %lu" : "err %lu", received);
		return 0;
	} else if (sscanf(line, "speed %lf", &speed) == 1) {
	} else if (!strcmp(line, "time")) {
		say("ok %llu", now_us());
		return 0;
	} else if (!strcmp(line, "stat")) {
		say("ok us=%llu tx=%lu dropped=%lu rx=%lu waiting=%u", now_us(), sent, dropped, received, out_n);
		return 0;
	} else if (!strcmp(line, "opened")) {
		struct pollfd ready = {terminal, POLLIN, 0};
		say("ok %d", terminal >= 0 && poll(&ready, 1, 0) >= 0 && !(ready.revents & POLLHUP));
		return 0;
	} else if (!strcmp(line, "relay")) {
		say("ok %d", relay());
		return 0;
	} else if (sscanf(line, "reset %15s", word) == 1) {
		reset(word);
	} else if (sscanf(line, "ram %i %i", &at, &level) == 2 && at >= 0 && at < RAM_TO) {
		avr->data[at] = (uint8_t)level;
	} else if (sscanf(line, "ram %i", &at) == 1 && at >= 0 && at < RAM_TO) {
		say("ok %d", avr->data[at]);
		return 0;
	} else if (!strcmp(line, "unplug")) {
		unplug();
	} else if (!strcmp(line, "plug")) {
		if (plug()) {
			say("err no pseudo-terminal");
			return 0;
		}
	} else if (!strcmp(line, "quit")) {
		return 1;
	} else {
		say("err %s", line);
		return 0;
	}
	say("ok");
	return 0;
}

static int read_commands(int wait_ms)
{
	static char text[4096];
	static size_t held;
	struct pollfd ready = {STDIN_FILENO, POLLIN, 0};
	if (poll(&ready, 1, wait_ms) > 0) {
		ssize_t n = read(STDIN_FILENO, text + held, sizeof text - 1 - held);
		if (n <= 0)
			return 1; /* whoever started us is gone */
		held += (size_t)n;
	}
	char *end;
	while (run_until < 0 && (end = memchr(text, '\n', held))) { /* `run` holds back what follows */
		*end = 0;
		if (command(text))
			return 1;
		held -= (size_t)(end + 1 - text);
		memmove(text, end + 1, held);
	}
	return 0;
}

static double wall_s(void)
{
	struct timespec t;
	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

/* Real time: wait for the wall clock. Far behind, time goes on from here and does not sprint after it. */
static void keep_pace(void)
{
	static double paced, wall_from;
	static avr_cycle_count_t cycle_from;
	double now = wall_s();
	double ahead = (double)(avr->cycle - cycle_from) / CLOCK_HZ / speed - (now - wall_from);
	if (paced != speed || ahead < -0.2) {
		paced = speed;
		wall_from = now;
		cycle_from = avr->cycle;
	} else if (ahead > 0.0) {
		struct timespec pause = {(time_t)ahead, (long)(1e9 * fmod(ahead, 1.0))};
		nanosleep(&pause, NULL);
	}
}

int main(int argc, char **argv)
{
	for (int option; (option = getopt(argc, argv, "l:s:")) != -1;) {
		if (option == 'l')
			link_path = optarg;
		else if (option == 's')
			speed = atof(optarg);
		else
			return 2;
	}
	if (optind >= argc || load(argv[optind]) || plug()) {
		fprintf(stderr, "emulator_host: no firmware that can be read, or no pseudo-terminal\n");
		return 2;
	}
	for (;;) {
		int still = speed <= 0 && run_until < 0;
		if (read_commands(still ? 2 : 0))
			break;
		if (speed <= 0 && run_until < 0) {
			service_terminal();
			continue;
		}
		avr_cycle_count_t end = avr->cycle + SLICE_CYCLES;
		if (run_until >= 0 && end > (avr_cycle_count_t)run_until)
			end = (avr_cycle_count_t)run_until;
		while (avr->cycle < end) {
			int state = avr_run(avr);
			watch_relay();
			if (state == cpu_Done || state == cpu_Crashed) {
				say("crashed state=%d pc=%x @%llu", state, avr->pc, now_us());
				unplug();
				return 1;
			}
		}
		service_terminal();
		if (run_until >= 0 && avr->cycle >= (avr_cycle_count_t)run_until) {
			run_until = -1;
			say("ok us=%llu tx=%lu dropped=%lu rx=%lu waiting=%u", now_us(), sent, dropped, received, out_n);
		}
		if (speed > 0)
			keep_pace();
	}
	unplug();
	return 0;
}
