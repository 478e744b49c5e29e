/* The two lines that the controller sends: what it is, and a reading. */
#ifndef LINE_H
#define LINE_H

/* What the controller is. */
void line_hello(void);

/* One reading of everything. */
void line_reading(void);

#endif
