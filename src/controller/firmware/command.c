/* Gathers lines, judges their checksum and their form, and only then does what they say. */
#include "command.h"

#include <avr/pgmspace.h>
#include <string.h>

#include "board.h"
#include "checksum.h"
#include "output.h"
#include "serial.h"

/* The most bytes of a line, with its LF. */
#define LINE_MOST 96u
#define LEASE_LEAST 10u
#define LEASE_MOST 5000u
/* No output can do more; what is wrong for one of them is judged by it. */
#define VALUE_MOST 9999999UL

static char line[LINE_MOST];
static uint8_t length; /* LINE_MOST: too long, until the LF */
static uint8_t wants_hello;
static uint8_t rate_hz = DEFAULT_RATE_HZ;

/* What is still to be read of a line; the end of what the checksum covers is a 0. */
static const char *at;

/* Goes past a text in flash; 0: something else stands there. */
static uint8_t past(const char *text)
{
    uint8_t size = (uint8_t)strlen_P(text);
    if (strncmp_P(at, text, size) != 0) {
        return 0;
    }
    at += size;
    return 1;
}
#define PAST(literal) past(PSTR(literal))

/* A whole number up to `most`, which is below 2^32 / 10 - 1, without leading zeros; 0: none stands there. */
static uint8_t number(uint32_t most, uint32_t *value)
{
    const char *first = at;
    uint32_t sum = 0;
    while (*at >= '0' && *at <= '9') {
        sum = sum * 10u + (uint8_t)(*at - '0');
        at++;
        if (sum > most) {
            return 0;
        }
    }
    *value = sum;
    return at != first && (at == first + 1 || *first != '0');
}

struct wish {
    uint32_t value;
    uint8_t wished;
};

/* `"d7":1` and its like, none twice. */
static uint8_t member(struct wish *wishes)
{
    uint32_t pin;
    uint32_t value;
    if (*at++ != '"') {
        return 0;
    }
    uint8_t kind = (uint8_t)*at;
    if (kind == 0) {
        return 0;
    }
    at++;
    if (!number(255u, &pin) || !PAST("\":") || !number(VALUE_MOST, &value)) {
        return 0;
    }
    uint8_t output = output_find(kind, (uint8_t)pin);
    if (output == OUTPUTS || !output_may(output, value) || wishes[output].wished) {
        return 0;
    }
    wishes[output].value = value;
    wishes[output].wished = 1;
    return 1;
}

static void set(void)
{
    struct wish wishes[OUTPUTS];
    memset(wishes, 0, sizeof wishes);
    do {
        if (!member(wishes)) {
            return;
        }
    } while (PAST(","));
    uint32_t lease_ms;
    if (!PAST("},\"lease_ms\":") || !number(LEASE_MOST, &lease_ms) || lease_ms < LEASE_LEAST || *at != 0) {
        return;
    }
    for (uint8_t output = 0; output < OUTPUTS; output++) {
        if (wishes[output].wished) {
            output_set(output, wishes[output].value, (uint16_t)lease_ms);
        }
    }
}

static void obey(void)
{
    uint32_t value;
    at = line;
    if (PAST("{\"set\":{")) {
        set();
    } else if (PAST("{\"rate_hz\":")) {
        if (number(MOST_RATE_HZ, &value) && value != 0 && *at == 0) {
            rate_hz = (uint8_t)value;
            wants_hello = 1;
        }
    } else if (PAST("{\"ask\":\"hello\"") && *at == 0) {
        wants_hello = 1;
    }
}

/* The value of an upper-case hex digit; 16: it is none. */
static uint8_t nibble(char digit)
{
    if (digit >= '0' && digit <= '9') {
        return (uint8_t)(digit - '0');
    }
    return digit >= 'A' && digit <= 'F' ? (uint8_t)(digit - 'A' + 10) : 16u;
}

/* `,"crc":"HHHH"}` has this length. */
#define TRAILER 14u

/* Whether the line ends with the right checksum of what stands before it; cuts it off there. */
static uint8_t is_right(uint8_t size)
{
    if (size <= TRAILER) {
        return 0;
    }
    uint8_t covered = size - TRAILER;
    at = line + covered;
    if (!PAST(",\"crc\":\"")) {
        return 0;
    }
    uint16_t says = 0;
    for (uint8_t place = 0; place < 4; place++) {
        uint8_t value = nibble(*at++);
        if (value > 15u) {
            return 0;
        }
        says = (uint16_t)(says << 4) | value;
    }
    if (at[0] != '"' || at[1] != '}') {
        return 0;
    }
    uint16_t sum = CHECKSUM_START;
    for (uint8_t place = 0; place < covered; place++) {
        /* No line has any other byte; a 0 would look like its end, and SERIAL_LOST is a place where bytes are missing. */
        uint8_t byte = (uint8_t)line[place];
        if (byte < ' ' || byte > '~') {
            return 0;
        }
        sum = checksum_add(sum, byte);
    }
    line[covered] = 0;
    return sum == says;
}

static void end_of_line(void)
{
    uint8_t size = length;
    length = 0;
    if (size == LINE_MOST) {
        return;
    }
    if (size != 0 && line[size - 1u] == '\r') {
        size--;
    }
    if (is_right(size)) {
        obey();
    }
}

void command_poll(void)
{
    int16_t byte;
    while ((byte = serial_get()) >= 0) {
        if (byte == '\n') {
            end_of_line();
        } else if (length < LINE_MOST - 1u) {
            line[length++] = (char)byte;
        } else {
            length = LINE_MOST;
        }
    }
}

uint8_t command_wants_hello(void)
{
    uint8_t wants = wants_hello;
    wants_hello = 0;
    return wants;
}

uint8_t command_rate_hz(void)
{
    return rate_hz;
}
