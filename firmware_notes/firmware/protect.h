/* The relay, and all that opens it. */
#ifndef PROTECT_H
#define PROTECT_H
#include <stdbool.h>
#include <stdint.h>

enum trip { TRIP_NONE, TRIP_HOST, TRIP_HOT, TRIP_BEAT, TRIP_SENSOR };

/* The relay's pin driven open. `keeps_memory`: the reset was none of the power, a latched trip still stands. */
void protect_start(bool keeps_memory);
/* The self-test failed: as a sensor that can not be trusted, until the next start. */
void protect_distrust(void);
void protect_temperature(float celsius); /* NAN: can not be measured */
void protect_tick(uint32_t now_ms);
void protect_trip(void);
void protect_beat(uint32_t now_ms);
/* Closes the relay if every cause is gone; else the word of refusal, in flash. */
const char *protect_reset(uint32_t now_ms);
enum trip protect_cause(void);
bool protect_closed(void); /* read back from the pin */

#endif
