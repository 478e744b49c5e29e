/* The script: what is done to the chip, and when.
 *
 * Owns the lines and their order. A line is `TIME_us WHAT ...`; empty lines and those that begin with # are passed over.
 *   analog N MILLIVOLTS | supply MILLIVOLTS | noise SEED MILLIVOLTS | square PIN HZ | burst PIN COUNT GAP_us | level PIN 0|1
 *   short PIN 0|1 (a wire to ground or to the supply, stronger than the chip) | unshort PIN
 *   serial TEXT (with \n, \\ and \xHH) | garbage SEED COUNT | reset watchdog|power|external|brown-out | stop_loop
 *   poke SYMBOL BYTES VALUE | peek SYMBOL BYTES (event `peek`) | end
 * A line from the standard input whose time is past acts at once. */
#include "bench.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct step { uint64_t at_us; char *what; };

static struct step *steps;
static size_t step_count, step_room, step_next;
static struct alarm due;
static bool ended;

static size_t unescape(const char *text, uint8_t *bytes)
{
    size_t length = 0;
    for (; *text; text++) {
        unsigned value;
        if (*text != '\\') {
            bytes[length++] = (uint8_t)*text;
        } else if (text[1] == 'n') {
            bytes[length++] = '\n';
            text++;
        } else if (text[1] == '\\') {
            bytes[length++] = '\\';
            text++;
        } else if (text[1] == 'x' && sscanf(text + 2, "%2x", &value) == 1) {
            bytes[length++] = (uint8_t)value;
            text += 3;
        } else {
            fail("what is this in a serial line: %s", text);
        }
    }
    return length;
}

static bool serial(const char *what)
{
    if (strncmp(what, "serial ", 7) != 0)
        return false;
    uint8_t *bytes = malloc(strlen(what));
    if (!bytes)
        fail("no memory left for a serial line");
    host_send(bytes, unescape(what + 7, bytes));
    free(bytes);
    return true;
}

static unsigned checked_pin(unsigned pin)
{
    if (pin >= PINS)
        fail("there is no pin %u", pin);
    return pin;
}

static bool electric(const char *what)
{
    unsigned number, count;
    double value;
    uint64_t seed;
    if (sscanf(what, "analog %u %lf", &number, &value) == 2 && number < 8)
        converter_input(number, value);
    else if (sscanf(what, "supply %lf", &value) == 1 && value > 0.0)
        converter_supply(value);
    else if (sscanf(what, "noise %" SCNu64 " %lf", &seed, &value) == 2)
        converter_noise(seed, value);
    else if (sscanf(what, "square %u %lf", &number, &value) == 2)
        stimulus_square(checked_pin(number), value);
    else if (sscanf(what, "burst %u %u %lf", &number, &count, &value) == 3 && count > 0 && value > 0.0)
        stimulus_burst(checked_pin(number), count, value);
    else if (sscanf(what, "level %u %u", &number, &count) == 2 && count <= 1)
        stimulus_level(checked_pin(number), count);
    else if (sscanf(what, "short %u %u", &number, &count) == 2 && count <= 1)
        pin_short(checked_pin(number), true, count);
    else if (sscanf(what, "unshort %u", &number) == 1)
        pin_short(checked_pin(number), false, false);
    else
        return false;
    return true;
}

static bool reset(const char *what)
{
    static const struct { const char *line; enum cause cause; } causes[] = {
        { "reset watchdog", CAUSE_WATCHDOG }, { "reset power", CAUSE_POWER },
        { "reset external", CAUSE_EXTERNAL }, { "reset brown-out", CAUSE_BROWN_OUT },
    };
    for (size_t index = 0; index < sizeof causes / sizeof *causes; index++) {
        if (strcmp(what, causes[index].line) != 0)
            continue;
        chip_ask_reset(causes[index].cause);
        return true;
    }
    return false;
}

static bool other(const char *what)
{
    char name[64];
    unsigned bytes;
    uint64_t value, count;
    if (sscanf(what, "garbage %" SCNu64 " %" SCNu64, &value, &count) == 2)
        host_garbage(value, count);
    else if (!strcmp(what, "stop_loop"))
        chip_stop_loop();
    else if (sscanf(what, "poke %63s %u %" SCNu64, name, &bytes, &value) == 3 && bytes <= 8)
        chip_poke(name, bytes, value);
    else if (sscanf(what, "peek %63s %u", name, &bytes) == 2 && bytes <= 8)
        tell("peek\t%s\t%" PRIu64, name, chip_peek(name, bytes));
    else if (!strcmp(what, "end"))
        ended = true;
    else
        return false;
    return true;
}

static void set_next(void)
{
    if (step_next < step_count && !ended) {
        uint64_t at = steps[step_next].at_us * CYCLES_PER_US;
        alarm_set(&due, at > now() ? at : now() + 1);
    }
}

static void perform(struct alarm *alarm)
{
    char *what = steps[step_next].what;
    if (!serial(what) && !electric(what) && !reset(what) && !other(what))
        fail("a line of the script says what cannot be done: %s", what);
    free(what);
    step_next++;
    set_next();
}

static void add(uint64_t at_us, const char *what)
{
    if (step_count == step_room) {
        step_room = step_room ? 2 * step_room : 64;
        steps = realloc(steps, step_room * sizeof *steps);
        if (!steps)
            fail("no memory left for the script");
    }
    /* A line that comes while it runs goes before those that are due later. */
    size_t at = step_count++;
    for (; at > step_next && steps[at - 1].at_us > at_us; at--)
        steps[at] = steps[at - 1];
    steps[at] = (struct step){ at_us, strdup(what) };
}

static void read_line(const char *text)
{
    char *rest;
    if (*text == '#' || *text == '\0')
        return;
    uint64_t at_us = strtoull(text, &rest, 10);
    if (rest == text || *rest != ' ')
        fail("a line of the script begins with no time: %s", text);
    add(at_us, rest + 1);
}

void script_load(const char *path)
{
    FILE *file = fopen(path, "r");
    if (!file)
        fail("the script %s cannot be read", path);
    char *text = NULL;
    size_t room = 0;
    for (ssize_t length; (length = getline(&text, &room, file)) >= 0;) {
        while (length > 0 && (text[length - 1] == '\n' || text[length - 1] == '\r'))
            text[--length] = '\0';
        read_line(text);
    }
    free(text);
    fclose(file);
    due.fire = perform;
    set_next();
}

void script_line(const char *text)
{
    read_line(text);
    set_next();
}

void script_require_end(void)
{
    if (step_count == 0 || strcmp(steps[step_count - 1].what, "end") != 0)
        fail("the script must end with a line TIME_us end");
}

bool script_ended(void)
{
    return ended;
}
