/* The serial line: bytes in and out, buffered. */
#ifndef SERIAL_H
#define SERIAL_H
#include <stdint.h>

void serial_start(void);
/* Waits while the buffer is full: a line is never sent in part. */
void serial_put(char c);
/* The next byte heard, or -1. */
int16_t serial_get(void);

#endif
