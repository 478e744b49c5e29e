/* Edges on the pulse pins: how many, when the newest was, and the shortest and longest gap since they were last asked for.
 * An edge that follows the last counted one sooner than the pin's dead time is ringing: it is counted apart. */
#ifndef EDGES_H
#define EDGES_H

#include <stdint.h>

#include "board.h"

struct edges {
    uint32_t count;
    uint32_t last; /* us; 0 while count is 0 */
    uint32_t shortest; /* us; 0 with longest 0: no gap ended */
    uint32_t longest;
    uint32_t rejected;
};

void edges_start(void);

/* What came on the pin of that index, and begins new gaps. Lets no interrupt in for about 4 us. */
void edges_take(uint8_t index, struct edges *taken);

/* An edge so old that it would soon look new on the wrapping clock: moves it to half an hour before `now`. */
void edges_age(uint8_t index, uint32_t now, struct edges *taken);

#endif
