/* The very beginning: outputs at rest, why the controller started, the watchdog. */
#ifndef START_H
#define START_H

/* Why the controller started, as the counts format calls it; a text in flash. */
const char *start_cause(void);

#endif
