/* Bytes, numbers and the checksum of lines. */
#include "text.h"

#include "checksum.h"
#include "serial.h"

static uint16_t sum;

void text_begin(void)
{
    sum = CHECKSUM_START;
}

void text_byte(uint8_t byte)
{
    sum = checksum_add(sum, byte);
    serial_put(byte);
}

void text_flash(const char *text)
{
    for (char byte = pgm_read_byte(text); byte != 0; byte = pgm_read_byte(++text)) {
        text_byte((uint8_t)byte);
    }
}

/* Digits are found by taking powers of ten away: the chip has no division, and one of 32 bits takes 40 us. */
static const uint32_t powers[] PROGMEM = {1000000000UL, 100000000UL, 10000000UL, 1000000UL, 100000UL, 10000UL};
static const uint16_t short_powers[] PROGMEM = {10000u, 1000u, 100u, 10u};

/* The digits of a number from the power of that place on; `started`: zeros count. */
static void short_digits(uint16_t number, uint8_t place, uint8_t started)
{
    for (; place < sizeof short_powers / sizeof short_powers[0]; place++) {
        uint16_t power = pgm_read_word(&short_powers[place]);
        uint8_t digit = '0';
        while (number >= power) {
            number -= power;
            digit++;
        }
        started |= digit != '0';
        if (started) {
            text_byte(digit);
        }
    }
    text_byte('0' + (uint8_t)number);
}

void text_short(uint16_t number)
{
    short_digits(number, 0, 0);
}

void text_number(uint32_t number)
{
    uint8_t started = 0;
    for (uint8_t place = 0; place < sizeof powers / sizeof powers[0]; place++) {
        uint32_t power = pgm_read_dword(&powers[place]);
        uint8_t digit = '0';
        while (number >= power) {
            number -= power;
            digit++;
        }
        started |= digit != '0';
        if (started) {
            text_byte(digit);
        }
    }
    short_digits((uint16_t)number, 1, started);
}

static void hex(uint8_t nibble)
{
    nibble &= 0x0F;
    serial_put(nibble < 10 ? '0' + nibble : 'A' + (nibble - 10));
}

void text_end(void)
{
    uint16_t covered = sum;
    TEXT(",\"crc\":\"");
    hex((uint8_t)(covered >> 12));
    hex((uint8_t)(covered >> 8));
    hex((uint8_t)(covered >> 4));
    hex((uint8_t)covered);
    serial_put('"');
    serial_put('}');
    serial_put('\n');
}
