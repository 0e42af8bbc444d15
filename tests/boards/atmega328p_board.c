/* An ATmega328P with three phase currents at its pins, for test_atmega328p.py: libsimavr runs the firmware, paced by
   the wall clock; the UART is a pty, whose name is the first line printed.

   board ELF HZ ZERO_MV U_MV V_MV W_MV LINK_MV: sines of these peaks around the zero, V 120 degrees behind U, W 120
   behind V, at ADC0 to ADC2; LINK_MV at ADC3; PD2 high in every other half second of the board's own time.

   Reads lines: "run" lets go of the reset, "reset" pulls it for a moment; at the end of the input it prints cycles
   run, cycles asleep, and by how many cycles the starts of conversions strayed from an even grid of SLOT cycles. */

#define _GNU_SOURCE
#include <math.h>
#include <poll.h>
#include <pty.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#define CLOCK_HZ 16000000.0
#define SLOT 2048
#define SLICE_CYCLES 80000 /* 5 ms */

static avr_t *avr;
static avr_irq_t *pins, *gate;
static double hz, zero_mv, peak_mv[3], link_mv;
static int line;
static avr_cycle_count_t asleep, asleep_since, origin;
static unsigned conversions;
static long earliest, latest;

static void convert(struct avr_irq_t *irq, uint32_t value, void *param)
{
    const double turns = hz * (double)avr->cycle / CLOCK_HZ;
    (void)irq, (void)value, (void)param;
    for (int phase = 0; phase < 3; phase++) {
        const double angle = 2.0 * M_PI * (turns - floor(turns) - phase / 3.0);
        avr_raise_irq(pins + ADC_IRQ_ADC0 + phase, (uint32_t)lround(zero_mv + peak_mv[phase] * cos(angle)));
    }
    avr_raise_irq(pins + ADC_IRQ_ADC3, (uint32_t)lround(link_mv));

    /* The first is the one that firmware throws away, the second is started outside the grid. */
    if (++conversions == 3) {
        origin = avr->cycle;
    } else if (conversions > 3) {
        const long stray = (long)((avr->cycle - origin + SLOT / 2) % SLOT) - SLOT / 2;
        if (stray < earliest)
            earliest = stray;
        if (stray > latest)
            latest = stray;
    }
}

static void sent(struct avr_irq_t *irq, uint32_t value, void *param)
{
    const uint8_t byte = (uint8_t)value;
    (void)irq, (void)param;
    if (write(line, &byte, 1) != 1)
        exit(3);
}

/* The cycles of a sleep are added behind this; the pacing is done below, for work and sleep alike. */
static void sleep_begins(avr_t *which, avr_cycle_count_t cycles)
{
    (void)cycles;
    asleep_since = which->cycle;
}

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

int main(int argc, char **argv)
{
    elf_firmware_t firmware = {0};
    struct termios raw = {0};
    struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN};
    uint32_t quiet = 0;
    int running = 0, other_end;
    double begun_s = 0;
    avr_cycle_count_t begun = 0;
    char name[128], order[64];

    if (argc != 8)
        return 2;
    cfmakeraw(&raw);
    /* Held open at both ends: the line stays while a reader comes and goes. Named before the library talks. */
    if (openpty(&line, &other_end, name, &raw, NULL) != 0)
        return 2;
    puts(name);
    fflush(stdout);

    if (elf_read_firmware(argv[1], &firmware) != 0)
        return 2;
    hz = atof(argv[2]);
    zero_mv = atof(argv[3]);
    for (int phase = 0; phase < 3; phase++)
        peak_mv[phase] = atof(argv[4 + phase]);
    link_mv = atof(argv[7]);

    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr || avr_init(avr) != 0)
        return 2;
    avr->log = LOG_ERROR;
    avr_load_firmware(avr, &firmware);
    avr->frequency = (uint32_t)CLOCK_HZ;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = sleep_begins;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &quiet); /* no lines on the console, no sleeps of its own */
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), sent, NULL);
    pins = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
    avr_irq_register_notify(pins + ADC_IRQ_OUT_TRIGGER, convert, NULL);
    gate = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 2);

    for (;;) {
        if (poll(&input, 1, running ? 0 : -1) > 0) {
            const ssize_t size = read(STDIN_FILENO, order, sizeof order - 1);
            if (size <= 0)
                break;
            order[size] = 0;
            if (strstr(order, "run")) {
                running = 1;
                begun_s = now_s();
                begun = avr->cycle;
            }
            if (strstr(order, "reset")) {
                avr_reset(avr);
                conversions = 0;
            }
        }
        const avr_cycle_count_t until = avr->cycle + SLICE_CYCLES;
        while (avr->cycle < until) {
            asleep_since = 0;
            const int state = avr_run(avr);
            if (asleep_since)
                asleep += avr->cycle - asleep_since;
            if (state == cpu_Done || state == cpu_Crashed)
                return 4;
        }
        avr_raise_irq(gate, (avr->cycle / (avr_cycle_count_t)(CLOCK_HZ / 2)) % 2);
        const double ahead_s = (double)(avr->cycle - begun) / CLOCK_HZ - (now_s() - begun_s);
        if (ahead_s > 0)
            usleep((useconds_t)(ahead_s * 1e6));
    }
    printf("%llu %llu %ld %ld\n", (unsigned long long)avr->cycle, (unsigned long long)asleep, earliest, latest);
    return 0;
}
