/* Lines from the computer: asks, the rate, outputs. What is not exactly as the counts format says changes nothing. */
#ifndef COMMAND_H
#define COMMAND_H

#include <stdint.h>

/* Takes what came. Short, and never sends: it is called from everywhere that waits. */
void command_poll(void);

/* Whether a hello was asked for since this was last called. */
uint8_t command_wants_hello(void);

/* Readings a second. */
uint8_t command_rate_hz(void);

#endif
