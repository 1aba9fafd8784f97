#include "serial.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"

#define RX_SIZE 128u /* a power of two; the transmit buffer's size is that of its index */

static volatile char tx[256], rx[RX_SIZE];
static volatile uint8_t tx_in, tx_out, rx_in, rx_out;

void serial_start(void)
{
	UCSR0A = _BV(U2X0);
	UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
	UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
	UBRR0 = (F_CPU + 4 * BAUD) / (8 * BAUD) - 1; /* 16: 2.1 % fast at 115200 from 16 MHz, which receivers take */
}

ISR(USART_UDRE_vect)
{
	if (tx_out == tx_in)
		UCSR0B &= (uint8_t)~_BV(UDRIE0);
	else
		UDR0 = tx[tx_out++];
}

ISR(USART_RX_vect)
{
	char c = UDR0;
	uint8_t next = (rx_in + 1u) & (RX_SIZE - 1u);
	if (next != rx_out) { /* else lost: the checksum will show it */
		rx[rx_in] = c;
		rx_in = next;
	}
}

void serial_put(char c)
{
	uint8_t next = tx_in + 1u;
	while (next == tx_out)
		;
	tx[tx_in] = c;
	tx_in = next;
	UCSR0B |= _BV(UDRIE0);
}

int16_t serial_get(void)
{
	if (rx_out == rx_in)
		return -1;
	uint8_t c = (uint8_t)rx[rx_out];
	rx_out = (rx_out + 1u) & (RX_SIZE - 1u);
	return c;
}
