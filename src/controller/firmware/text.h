/* Text on its way out, with the checksum of a line as it grows. */
#ifndef TEXT_H
#define TEXT_H

#include <avr/pgmspace.h>
#include <stdint.h>

/* Begins a line: the checksum counts from here on. */
void text_begin(void);

void text_byte(uint8_t byte);

/* A text in flash. */
void text_flash(const char *text);
#define TEXT(literal) text_flash(PSTR(literal))

/* A whole number without leading zeros. */
void text_number(uint32_t number);
void text_short(uint16_t number);

/* Ends the line: checksum, closing brace, LF. */
void text_end(void);

#endif
