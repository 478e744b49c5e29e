/* What is due at which cycle, for all parts of the bench.
 *
 * Owns a list in the order of time and one of the simulator's cycle timers, which a reset takes away (the list stays). In:
 * alarms and cycles. Out: calls. Knows nothing of what is due. */
#include "bench.h"

static struct alarm *first;
static bool firing;

static avr_cycle_count_t fire_due(avr_t *avr, avr_cycle_count_t when, void *param);

static void arm(void)
{
    /* While alarms are fired, the next instant is given back at the end of it instead. */
    if (firing)
        return;
    avr_cycle_timer_cancel(chip, fire_due, NULL);
    if (first)
        avr_cycle_timer_register(chip, first->when > now() ? first->when - now() : 1, fire_due, NULL);
}

static avr_cycle_count_t fire_due(avr_t *avr, avr_cycle_count_t when, void *param)
{
    firing = true;
    while (first && first->when <= now()) {
        struct alarm *due = first;
        first = due->next;
        due->set = false;
        due->fire(due);
    }
    firing = false;
    return first ? avr->cycle + (first->when - now()) : 0;
}

static void take_out(struct alarm *alarm)
{
    struct alarm **at = &first;
    while (*at && *at != alarm)
        at = &(*at)->next;
    if (*at)
        *at = alarm->next;
    alarm->set = false;
}

void alarm_clear(struct alarm *alarm)
{
    if (alarm->set)
        take_out(alarm);
}

void alarm_set(struct alarm *alarm, uint64_t when)
{
    alarm_clear(alarm);
    struct alarm **at = &first;
    /* Equal times keep their order, so that two lines of a script at one instant act as they are written. */
    while (*at && (*at)->when <= when)
        at = &(*at)->next;
    alarm->when = when;
    alarm->next = *at;
    alarm->set = true;
    *at = alarm;
    arm();
}

void alarm_rearm(void)
{
    arm();
}
