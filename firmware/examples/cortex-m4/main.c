/* Phase currents of a pump drive, sent by a Cortex-M4: bare metal, without a C library. Registers and clocks
   are in board.h, which fits an emulated machine; what is below fits any board.

   Pins      ADC channels 0, 1, 2  amplifiers of the phase currents U, V, W
             ADC channel 3         DC link, through a divider of 11:1
   Link      outlet_uart.c (921600 Bd), or outlet_semihosting.c (an emulator's or a debugger's output)
   Build     arm-none-eabi-gcc -std=c99 -mcpu=cortex-m4 -mthumb -Os -ffreestanding -nostdlib -I../../c
                 -T link.ld -o pump.elf main.c startup.c outlet_uart.c
   Run       qemu-system-arm -M netduinoplus2 -kernel pump.elf -display none -monitor none -serial pty

   Programming or resetting a board lets go of its pins: de-energise the drive first.
   MIT licence, as livesense itself. */

#define LIVESENSE_CRC_TABLE
#include "livesense_wire.h"

#include "board.h"
#include "outlet.h"

#ifndef SCAN_HZ
#define SCAN_HZ 10000 /* 4 channels of u12 in packets of 40 scans: 62.5 kB/s of the 92 kB/s of 921600 Bd */
#endif

#define CHANNELS 4
#define SCANS_A_PACKET 40
#define SCANS_HELD 4096u /* between interrupt and packets: 0.4 s; a power of two */
#define TICK_HZ 1000000u
#define FLUSH_TICKS (TICK_HZ / 20)

#define WRITTEN(number) #number
#define DIGITS(number) WRITTEN(number)
#define BEFORE_BOOT "{\"livesense\":1,\"device\":\"pump-bench\",\"boot\":"
#define AFTER_BOOT                                                                          \
    ",\"groups\":[{\"rate_hz\":" DIGITS(SCAN_HZ) ",\"code\":\"u12\",\"bits\":12,"           \
    "\"channels\":[\"iu\",\"iv\",\"iw\",\"vbus\"]}]}"

/* What the main loop reads after an index, or writes before it, stays on that side of it. */
#define BARRIER() __asm__ volatile("" ::: "memory")

/* ---- Scans: the interrupt puts them in, the main loop takes them out ---------- */

struct scan {
    uint32_t number; /* since boot, those that found no room too: so loss is seen */
    uint16_t codes[CHANNELS];
};

static struct scan held[SCANS_HELD];
static volatile uint32_t scans_in, scans_out; /* count on without end; their difference is what is held */
static uint32_t number, due_tick, due_part, overrun;

static void take_scan(void)
{
    struct scan scan;
    uint32_t channel;
    scan.number = number++;
    for (channel = 0; channel < CHANNELS; channel++)
        scan.codes[channel] = board_convert(channel);
    /* Once there is no room, none is taken until half is free: one long gap, rather than many around
       single scans. */
    if (scans_in - scans_out == SCANS_HELD)
        overrun = 1;
    else if (scans_in - scans_out <= SCANS_HELD / 2)
        overrun = 0;
    if (!overrun) {
        held[scans_in % SCANS_HELD] = scan;
        BARRIER();
        scans_in++;
    }
}

/* SysTick, at the scan rate. A timer that counts on says how many scans are due: one, unless interrupts
   were held up. Those that are late are taken late, but none is left out of the count. */
void scan_due(void)
{
    while ((int32_t)(TIMER_COUNT - due_tick) >= 0) {
        take_scan();
        due_tick += TICK_HZ / SCAN_HZ;
        due_part += TICK_HZ % SCAN_HZ;
        if (due_part >= SCAN_HZ) {
            due_part -= SCAN_HZ;
            due_tick++;
        }
    }
}

/* ---- Packets: one is gathered while the one before is sent ---------- */

#define FRAME_BYTES LIVESENSE_FRAME_SIZE(LIVESENSE_SCAN_BYTES_U12(CHANNELS, SCANS_A_PACKET))

static uint8_t frames[2][FRAME_BYTES];

static void send(const uint8_t *bytes, size_t size)
{
    while (!outlet_ready()) {
    }
    outlet_send(bytes, size);
}

static void send_batch(struct livesense_batch *batch, size_t size)
{
    if (size) {
        send(batch->buffer, size);
        livesense_batch_buffer(batch, batch->buffer == frames[0] ? frames[1] : frames[0]);
    }
}

static void describe(uint32_t boot)
{
    static uint8_t buffer[LIVESENSE_FRAME_SIZE(sizeof BEFORE_BOOT + 10 + sizeof AFTER_BOOT)];
    struct livesense_frame frame;
    while (!outlet_ready()) { /* the buffer may be on its way still */
    }
    livesense_frame_begin(&frame, buffer, sizeof buffer, 'D');
    livesense_put_text(&frame, BEFORE_BOOT);
    livesense_put_number(&frame, boot);
    livesense_put_text(&frame, AFTER_BOOT);
    send(buffer, livesense_frame_close(&frame));
}

/* RAM that start-up leaves alone: counts resets. After power-up it begins with whatever the RAM woke up
   with. */
__attribute__((section(".kept"))) static uint32_t boot;

int main(void)
{
    static struct livesense_batch batch;
    uint32_t described_tick;

    boot++;
    TIMER_PRESCALER = TIMER_HZ / TICK_HZ - 1u;
    TIMER_RELOAD = 0xFFFFFFFFu;
    TIMER_EVENT = 1; /* takes over the prescaler */
    TIMER_CONTROL = 1;
    ADC_CONTROL = ADC_ON;

    outlet_start();
    send((const uint8_t *)"", 1); /* ends a frame that a reset cut short */
    describe(boot);
    livesense_batch_start(&batch, frames[0], FRAME_BYTES, 0, LIVESENSE_U12, CHANNELS, SCANS_A_PACKET,
                          FLUSH_TICKS);

    described_tick = due_tick = TIMER_COUNT;
    SYSTICK_RELOAD = CPU_HZ / SCAN_HZ - 1u;
    SYSTICK_VALUE = 0;
#ifndef FLAT_OUT
    SYSTICK_CONTROL = 7; /* the CPU's clock, with interrupt */
#endif

    for (;;) {
#ifdef FLAT_OUT /* no clock, the next scan when the last is packed: shows what the link carries */
        take_scan();
#endif
        if (scans_in != scans_out) {
            const struct scan *next = &held[scans_out % SCANS_HELD];
            const uint32_t missed = next->number - batch.counter;
            BARRIER();
            if (missed)
                send_batch(&batch, livesense_skip(&batch, missed));
            send_batch(&batch, livesense_scan(&batch, next->codes, TIMER_COUNT));
            BARRIER();
            scans_out++;
        } else {
            send_batch(&batch, livesense_flush_due(&batch, TIMER_COUNT));
            if (outlet_ready())
                __asm__ volatile("wfi"); /* until the next scan */
        }
        if (TIMER_COUNT - described_tick >= TICK_HZ) {
            described_tick += TICK_HZ;
            describe(boot);
        }
    }
}
