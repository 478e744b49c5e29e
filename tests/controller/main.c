/* bench FIRMWARE.elf SCRIPT [--pty]
 *
 * Owns the arguments and the loop. See bench.h for what this is and what it does not show. */
#include "bench.h"

#include <stdio.h>
#include <string.h>

static void tell_statistics(void)
{
    tell("stats\tbusy_permille=%u\tstack_bytes=%u\tcycles=%llu\tbaud=%u\tunsent=%zu", chip_busy_permille(),
         chip_stack_bytes(), (unsigned long long)now(), CLOCK_HZ / uart_bit_cycles(), host_waiting());
}

int main(int count, char **arguments)
{
    bool pty = count == 4 && !strcmp(arguments[3], "--pty");
    if (count != 3 && !pty)
        fail("usage: bench FIRMWARE.elf SCRIPT [--pty]");
    tell_at_once = pty;
    if (pty)
        pty_open();
    chip_start(arguments[1]);
    script_load(arguments[2]);
    if (!pty)
        script_require_end();
    bool alive = true;
    while (alive && !script_ended()) {
        alive = chip_run();
        if (pty)
            pty_pace();
    }
    tell_statistics();
    return alive ? 0 : 1;
}
