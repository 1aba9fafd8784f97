/* The wire format (firmware_notes/wire_format.md): words out with their checksum, commands in. */
#ifndef LINE_H
#define LINE_H
#include <stdbool.h>
#include <stdint.h>

uint16_t line_crc(uint16_t crc, uint8_t byte); /* from 0xFFFF on */

/* Any number of words, then line_end. Every word brings the space that follows it. */
void line_text(const char *word);                                /* from flash: PSTR("hello=") */
void line_count(const char *name, uint32_t value);               /* "seq=" and a whole number */
void line_number(const char *name, float value, uint8_t places); /* "nan" where value is none */
void line_end(void);

enum action { ACTION_NONE, ACTION_TRIP, ACTION_RESET, ACTION_BEAT, ACTION_UNKNOWN };

struct command {
	enum action action;
	uint16_t n;
};

/* Takes one byte from the host; the command that it completes, or ACTION_NONE. */
struct command line_hear(char c);

#endif
