/* How long livesense_scan takes: three channels, 16 scans a packet, 64 packets. Prints scans, the sum over
   all of them and the longest: on an AVR in cycles, by timer 1; on a Cortex-M in instructions, by a timer
   of QEMU's machine netduinoplus2, which counts one a nanosecond, and with -icount shift=0 each
   instruction takes one. */

#include "livesense_wire.h"

#define CHANNELS 3
#define SCANS_A_PACKET 16
#define PACKETS 64

#ifdef __AVR__

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

typedef uint16_t clock_count;

static void begin(void)
{
    UCSR0B = _BV(TXEN0);
    TCCR1B = _BV(CS10);
}

static clock_count now(void)
{
    return TCNT1;
}

static void letter(char sent)
{
    while (!(UCSR0A & _BV(UDRE0))) {
    }
    UDR0 = (uint8_t)sent;
}

static void finish(void)
{
    cli();
    sleep_enable();
    sleep_cpu(); /* without interrupts: the emulator is done */
}

#else

#define REGISTER(address) (*(volatile uint32_t *)(address))
#define TIMER_CONTROL REGISTER(0x40000000)
#define TIMER_EVENT REGISTER(0x40000014)
#define TIMER_COUNT REGISTER(0x40000024)
#define TIMER_PRESCALER REGISTER(0x40000028)
#define TIMER_RELOAD REGISTER(0x4000002C)

enum { SYS_WRITEC = 3, SYS_EXIT = 0x18, STOPPED = 0x20026 };

typedef uint32_t clock_count;

static void ask(uint32_t what, const void *argument)
{
    register uint32_t r0 __asm__("r0") = what;
    register const void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
}

static void begin(void)
{
    TIMER_PRESCALER = 0;
    TIMER_RELOAD = 0xFFFFFFFFu;
    TIMER_EVENT = 1;
    TIMER_CONTROL = 1;
}

static clock_count now(void)
{
    return TIMER_COUNT;
}

static void letter(char sent)
{
    ask(SYS_WRITEC, &sent);
}

static void finish(void)
{
    ask(SYS_EXIT, (const void *)STOPPED);
    for (;;) {
    }
}

int main(void);
void reset(void);

/* Nothing here has a value to begin with, and RAM of the machine begins with zeros. */
void reset(void)
{
    main();
}

extern uint32_t stack_top[];
__attribute__((section(".vectors"), used)) static const void *const vectors[] = {
    stack_top, (const void *)reset};

#endif

static uint8_t frame[LIVESENSE_FRAME_SIZE(LIVESENSE_SCAN_BYTES_U16(CHANNELS, SCANS_A_PACKET))];
static struct livesense_batch batch;
static uint16_t codes[CHANNELS];

__attribute__((noinline)) static size_t scan(uint32_t tick)
{
    return livesense_scan(&batch, codes, tick);
}

__attribute__((noinline)) static size_t nothing(uint32_t tick)
{
    (void)tick;
    __asm__ volatile("");
    return 0;
}

static void number(uint32_t value)
{
    char digits[10];
    uint8_t count = 0;
    do {
        uint32_t tenth = 0;
        while (value >= 10u) { /* small cores cannot divide */
            uint32_t step = 10;
            uint32_t by = 1;
            while (step <= value / 2u && step <= 0x0FFFFFFFu) {
                step *= 2u;
                by *= 2u;
            }
            value -= step;
            tenth += by;
        }
        digits[count++] = (char)('0' + (char)value);
        value = tenth;
    } while (value != 0);
    while (count != 0) {
        letter(digits[--count]);
    }
}

int main(void)
{
    uint32_t sum = 0;
    uint32_t longest = 0;
    uint32_t at;
    uint16_t noise = 1;
    clock_count empty;

    begin();
    livesense_batch_start(&batch, frame, sizeof frame, 0, CODE, CHANNELS, SCANS_A_PACKET, 1000);
    empty = now();
    nothing(0);
    empty = (clock_count)(now() - empty);
    for (at = 0; at < (uint32_t)SCANS_A_PACKET * PACKETS; at++) {
        clock_count began;
        clock_count spent;
        uint8_t channel;
        for (channel = 0; channel < CHANNELS; channel++) {
            noise = (uint16_t)((noise >> 1) ^ ((noise & 1u) != 0 ? 0xB400u : 0u));
            codes[channel] = noise & 0x0FFFu;
        }
        began = now();
        scan(at);
        spent = (clock_count)(now() - began - empty);
        sum += spent;
        if (spent > longest) {
            longest = spent;
        }
    }
    number(at);
    letter(' ');
    number(sum);
    letter(' ');
    number(longest);
    letter('\n');
    finish();
    return 0;
}
