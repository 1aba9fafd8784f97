#include "line.h"

#include <avr/pgmspace.h>
#include <math.h>
#include <string.h>
#include <util/crc16.h>

#include "serial.h"

#define HEARD_MAX 40u /* a longer line is thrown away whole */

static uint16_t crc = 0xFFFF;

uint16_t line_crc(uint16_t so_far, uint8_t byte) { return _crc_xmodem_update(so_far, byte); }

static void put(char c)
{
	crc = line_crc(crc, (uint8_t)c);
	serial_put(c);
}

static void put_flash(const char *text)
{
	for (char c; (c = (char)pgm_read_byte(text)); text++)
		put(c);
}

static void put_whole(uint32_t value, uint8_t places)
{
	char digits[11];
	uint8_t n = 0;
	do {
		digits[n++] = (char)('0' + value % 10);
		value /= 10;
	} while (value || n <= places);
	while (n) {
		put(digits[--n]);
		if (n == places && n)
			put('.');
	}
}

void line_text(const char *word)
{
	put_flash(word);
	put(' ');
}

void line_count(const char *name, uint32_t value)
{
	put_flash(name);
	put_whole(value, 0);
	put(' ');
}

void line_number(const char *name, float value, uint8_t places)
{
	put_flash(name);
	float scale = 1.0f;
	for (uint8_t i = 0; i < places; i++)
		scale *= 10.0f;
	float scaled = value * scale;
	/* Written so that nan goes here too. */
	if (!(scaled > -2e9f && scaled < 2e9f)) {
		put_flash(PSTR("nan"));
	} else {
		int32_t whole = (int32_t)lroundf(scaled);
		if (whole < 0)
			put('-');
		put_whole((uint32_t)(whole < 0 ? -whole : whole), places);
	}
	put(' ');
}

static char hex_digit(uint8_t nibble) { return (char)(nibble < 10 ? '0' + nibble : 'A' + nibble - 10); }

void line_end(void)
{
	uint16_t sum = crc;
	serial_put('*');
	for (int8_t shift = 12; shift >= 0; shift -= 4)
		serial_put(hex_digit((uint8_t)(sum >> shift) & 15u));
	serial_put('\n');
	crc = 0xFFFF;
}

static bool sum_fits(const char *heard, uint8_t star)
{
	uint16_t sum = 0xFFFF;
	for (uint8_t i = 0; i < star; i++)
		sum = line_crc(sum, (uint8_t)heard[i]);
	for (int8_t shift = 12; shift >= 0; shift -= 4)
		if (heard[++star] != hex_digit((uint8_t)(sum >> shift) & 15u))
			return false;
	return true;
}

/* do=NAME n=NUMBER, one space after each; `end` is where the star stands. */
static struct command parse(const char *heard, uint8_t end)
{
	struct command none = {ACTION_NONE, 0}, found = {ACTION_UNKNOWN, 0};
	if (strncmp_P(heard, PSTR("do="), 3))
		return none;
	const char *name = heard + 3, *limit = heard + end, *at = name;
	while (at < limit && *at != ' ')
		at++;
	uint8_t length = (uint8_t)(at - name);
	if (!length || at + 4 > limit || strncmp_P(at, PSTR(" n="), 3))
		return none;
	uint32_t n = 0;
	uint8_t digits = 0;
	for (at += 3; at < limit && *at >= '0' && *at <= '9' && digits < 6; at++, digits++)
		n = n * 10 + (uint8_t)(*at - '0');
	if (!digits || digits > 5 || n < 1 || n > 0xFFFF || at + 1 != limit || *at != ' ')
		return none;
	found.n = (uint16_t)n;
	if (length == 4 && !strncmp_P(name, PSTR("trip"), 4))
		found.action = ACTION_TRIP;
	else if (length == 5 && !strncmp_P(name, PSTR("reset"), 5))
		found.action = ACTION_RESET;
	else if (length == 4 && !strncmp_P(name, PSTR("beat"), 4))
		found.action = ACTION_BEAT;
	return found;
}

struct command line_hear(char c)
{
	static char heard[HEARD_MAX + 1];
	static uint8_t length;
	static bool lost; /* half a line, heard first after power-up, fails by its checksum */
	struct command none = {ACTION_NONE, 0};

	if (c != '\n' && c != '\r') {
		if (length >= HEARD_MAX)
			lost = true;
		else
			heard[length++] = c;
		return none;
	}
	bool whole = !lost && length > 5 && heard[length - 5] == '*';
	uint8_t star = (uint8_t)(length - 5);
	heard[length] = 0;
	length = 0;
	lost = false;
	return whole && sum_fits(heard, star) ? parse(heard, star) : none;
}
