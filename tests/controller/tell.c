/* What the bench says: events on the standard output, complaints on the standard error.
 *
 * Owns the form of an event: simulated microseconds, a word, what belongs to it, parted by TABs. */
#include "bench.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

bool tell_at_once;

static void begin(void)
{
    printf("%llu\t", (unsigned long long)(now() / CYCLES_PER_US));
}

static void finish(void)
{
    putchar('\n');
    if (tell_at_once)
        fflush(stdout);
}

void tell(const char *format, ...)
{
    va_list values;
    va_start(values, format);
    begin();
    vprintf(format, values);
    finish();
    va_end(values);
}

void tell_serial(const uint8_t *line, size_t length)
{
    begin();
    fputs("serial\t", stdout);
    for (size_t place = 0; place < length; place++) {
        /* A backslash is escaped too, so that what was sent can be had back. */
        if (line[place] >= ' ' && line[place] < 0x7F && line[place] != '\\')
            putchar(line[place]);
        else
            printf("\\x%02X", line[place]);
    }
    finish();
}

void fail(const char *format, ...)
{
    va_list values;
    va_start(values, format);
    fflush(stdout);
    fputs("bench: ", stderr);
    vfprintf(stderr, format, values);
    fputc('\n', stderr);
    va_end(values);
    exit(1);
}
