/* Pulse flow meter on INT0. */
#ifndef FLOW_H
#define FLOW_H
#include <stdint.h>

void flow_start(void);
uint32_t flow_pulses(void); /* since power-up; wraps at 2^32 */
/* Litres a minute, from whole pulses and the time they took: at slow flow a count over 0.1 s would jump. */
float flow_lpm(uint32_t now_ticks);

#endif
