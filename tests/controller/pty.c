/* The serial line as a pseudo-terminal, in real time.
 *
 * Owns both ends of it, the pace, and lines of the script from the standard input. Simulated time follows the monotonic clock:
 * ahead, it waits; behind (a busy machine), it runs as fast as it can until it is there again. As on a wire, a byte that
 * nobody takes is lost. The bench ends when its standard input does, so that it never outlives who started it. */
#include "bench.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

/* How often the clock is looked at, in simulated time. */
#define PACE_US 500u
/* So much waits for the chip at most; a real adapter holds about as much, the rest stays in the kernel. */
#define AHEAD_MOST 256u

bool pty_is_open;

static int master;
static uint64_t started_ns, next_look;
static uint8_t out[1024];
static size_t out_length;
static char typed[4096];
static size_t typed_length;

static uint64_t clock_ns(void)
{
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return (uint64_t)at.tv_sec * 1000000000u + (uint64_t)at.tv_nsec;
}

void pty_open(void)
{
    struct termios modes;
    master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (master < 0 || grantpt(master) || unlockpt(master))
        fail("no pseudo-terminal can be had: %s", strerror(errno));
    /* Set to pass bytes as they are, and left: from now on it shows whether somebody has it open. */
    int slave = open(ptsname(master), O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (slave < 0 || tcgetattr(slave, &modes))
        fail("the pseudo-terminal cannot be opened: %s", strerror(errno));
    cfmakeraw(&modes);
    tcsetattr(slave, TCSANOW, &modes);
    close(slave);
    fcntl(STDIN_FILENO, F_SETFL, fcntl(STDIN_FILENO, F_GETFL) | O_NONBLOCK);
    printf("%s\n", ptsname(master));
    fflush(stdout);
    pty_is_open = true;
    started_ns = clock_ns();
}

/* Whether a reader is there. Without one the kernel would keep the oldest bytes for the next. */
static bool is_listened_to(void)
{
    struct pollfd source = { .fd = master };
    return poll(&source, 1, 0) == 0 || !(source.revents & POLLHUP);
}

static void send(void)
{
    if (out_length > 0 && is_listened_to() && write(master, out, out_length) < 0 && errno != EAGAIN)
        fail("the pseudo-terminal cannot be written: %s", strerror(errno));
    out_length = 0;
}

void pty_byte(uint8_t byte)
{
    out[out_length++] = byte;
    if (out_length == sizeof out)
        send();
}

static void receive(void)
{
    uint8_t bytes[AHEAD_MOST];
    if (host_waiting() >= AHEAD_MOST)
        return;
    ssize_t length = read(master, bytes, sizeof bytes);
    if (length > 0)
        host_send(bytes, (size_t)length);
}

static void read_typed(void)
{
    ssize_t length = read(STDIN_FILENO, typed + typed_length, sizeof typed - 1 - typed_length);
    if (length == 0)
        script_line("0 end");
    if (length <= 0)
        return;
    typed_length += (size_t)length;
    typed[typed_length] = '\0';
    char *from = typed;
    for (char *end; (end = strchr(from, '\n')) != NULL; from = end + 1) {
        *end = '\0';
        script_line(from);
    }
    typed_length -= (size_t)(from - typed);
    memmove(typed, from, typed_length);
    if (typed_length == sizeof typed - 1)
        fail("a line on the standard input is too long");
}

static void wait_for(uint64_t nanoseconds)
{
    struct pollfd sources[] = { { .fd = master, .events = POLLIN }, { .fd = STDIN_FILENO, .events = POLLIN } };
    struct timespec time = { .tv_sec = 0, .tv_nsec = (long)nanoseconds };
    /* Bytes that come meanwhile are taken at the next look, half a millisecond later at most. */
    nanosleep(&time, NULL);
    if (poll(sources, 2, 0) <= 0)
        return;
    if (sources[0].revents & POLLIN)
        receive();
    if (sources[1].revents & (POLLIN | POLLHUP))
        read_typed();
}

void pty_pace(void)
{
    if (now() < next_look)
        return;
    next_look = now() + PACE_US * CYCLES_PER_US;
    send();
    uint64_t simulated_ns = now() * 1000u / CYCLES_PER_US;
    uint64_t real_ns = clock_ns() - started_ns;
    wait_for(simulated_ns > real_ns ? simulated_ns - real_ns : 0);
}
