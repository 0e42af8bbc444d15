/* Phase currents of a pump drive, sent by an ATmega328P: bare metal, with avr-libc.

   Pins      ADC0 ADC1 ADC2  amplifiers of the phase currents U, V, W; their zero is half of AVcc
             ADC3            DC link, through a divider of 11:1
             PD2             gate enable of the drive: high while it is on
             TXD             to the computer; 8 data bits, no parity, one stop bit
   Clock     16 MHz; AVcc is the ADC's reference, with a capacitor at AREF and nothing else
   Baud      500000, exact at this clock
   Build     avr-gcc -std=c99 -Os -mmcu=atmega328p -DF_CPU=16000000UL -I../../c -o pump.elf main.c
             avr-objcopy -O ihex -R .eeprom pump.elf pump.hex

   The channels are converted one after the other; `delay` in bench.toml says how much later. Programming
   or resetting a board lets go of its pins: de-energise the drive first. MIT licence, as livesense itself. */

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>

#include "livesense_wire.h"

#ifndef BAUD
#define BAUD 500000UL
#endif
#define PINS 4u              /* converted in turn, a slot each */
#define CHANNELS (PINS + 1u) /* the state of the gate enable, too */
#define SCANS_A_PACKET 16u
#define SCANS_HELD 32u       /* from interrupt to packet; a power of two */
#define BYTES_HELD 256u      /* from packet to UART; an index of 8 bits wraps by itself */
#define SCANS_A_SECOND 1953u /* 16 MHz / SLOT_CYCLES / PINS, or 1953.125 */

/* A slot is 16 clocks of the converter, which are 128 of the CPU each; a conversion takes 13. Because it
   is a whole number, the starts do not wander against that clock. The UART's interrupt can make one late
   by 60 cycles (4 us), so that it misses an edge of the converter's clock (8 us) at worst. */
#define SLOT_CYCLES (16u * 128u)
#define CONVERTER_ON (_BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0))

static const char BEFORE_BOOT[] PROGMEM = "{\"livesense\":1,\"device\":\"pump-bench\",\"boot\":";
static const char AFTER_BOOT[] PROGMEM =
    ",\"groups\":[{\"rate_hz\":1953.125,\"code\":\"u12\",\"bits\":10,"
    "\"channels\":[\"iu\",\"iv\",\"iw\",\"vbus\",\"gate\"]}]}";
#define DESCRIPTION_BYTES (sizeof BEFORE_BOOT + 10 + sizeof AFTER_BOOT)

/* What the main loop reads after an index, or writes before it, stays on that side of it. */
#define BARRIER() __asm__ volatile("" ::: "memory")

/* ---- Scans: the interrupt puts them in, the main loop takes them out ---------- */

struct scan {
    uint16_t number; /* since boot, those that found no room too: so loss is seen */
    uint16_t codes[CHANNELS];
};

static struct scan scan; /* the one being converted */
static struct scan held[SCANS_HELD];
static volatile uint8_t scans_in, scans_out;

ISR(TIMER1_COMPA_vect)
{
    static uint8_t pin, overrun;
    const uint8_t next = (uint8_t)((pin + 1u) % PINS);
    const uint16_t code = ADC;
    uint8_t gate;

    ADMUX = (uint8_t)(_BV(REFS0) | next);
    ADCSRA = CONVERTER_ON | _BV(ADSC);
    gate = (PIND >> PIND2) & 1u;

    scan.codes[pin] = code;
    if (next == 0) {
        /* Once there is no room, none is taken until half is free: one gap, rather than many around single
           scans. */
        const uint8_t now_held = (uint8_t)(scans_in - scans_out);
        if (now_held == SCANS_HELD)
            overrun = 1;
        else if (now_held <= SCANS_HELD / 2u)
            overrun = 0;
        if (!overrun) {
            held[scans_in % SCANS_HELD] = scan;
            BARRIER();
            scans_in++;
        }
        scan.number++;
        scan.codes[PINS] = gate;
    }
    pin = next;
}

/* ---- Bytes: the main loop puts them in, the UART takes them out ---------- */

static uint8_t bytes[BYTES_HELD];
static volatile uint8_t bytes_in, bytes_out;

ISR(USART_UDRE_vect)
{
    const uint8_t out = bytes_out;
    if (out == bytes_in) {
        UCSR0B = _BV(TXEN0);
    } else {
        UDR0 = bytes[out];
        bytes_out = (uint8_t)(out + 1u);
    }
}

/* Waits where there is no room: then scans are held meanwhile, and counted when even those find no room. */
static void send(const uint8_t *frame, size_t size)
{
    while (size--) {
        while ((uint8_t)(bytes_in + 1u) == bytes_out) {
        }
        bytes[bytes_in] = *frame++;
        BARRIER();
        bytes_in++;
        UCSR0B = _BV(TXEN0) | _BV(UDRIE0);
    }
}

/* ---- Packets ---------- */

static void put_flash(struct livesense_frame *frame, const char *text)
{
    char letter;
    while ((letter = (char)pgm_read_byte(text++)) != 0)
        livesense_put(frame, (uint8_t)letter);
}

static void describe(uint32_t boot)
{
    static uint8_t buffer[LIVESENSE_FRAME_SIZE(DESCRIPTION_BYTES)];
    struct livesense_frame frame;
    livesense_frame_begin(&frame, buffer, sizeof buffer, 'D');
    put_flash(&frame, BEFORE_BOOT);
    livesense_put_number(&frame, boot);
    put_flash(&frame, AFTER_BOOT);
    send(buffer, livesense_frame_close(&frame));
}

static void send_scans(uint32_t boot)
{
    static uint8_t frame[LIVESENSE_FRAME_SIZE(LIVESENSE_SCAN_BYTES_U12(CHANNELS, SCANS_A_PACKET))];
    static struct livesense_batch batch;
    uint16_t undescribed = 0;
    livesense_batch_start(&batch, frame, sizeof frame, 0, LIVESENSE_U12, CHANNELS, SCANS_A_PACKET, 0);
    for (;;) {
        const struct scan *next = &held[scans_out % SCANS_HELD];
        uint16_t missed;

        cli();
        if (scans_in == scans_out) {
            sleep_enable();
            sei(); /* takes effect after the next instruction: no interrupt slips in before the sleep */
            sleep_cpu();
            sleep_disable();
            continue;
        }
        sei();
        BARRIER();
        missed = (uint16_t)(next->number - (uint16_t)batch.counter);
        if (missed)
            send(frame, livesense_skip(&batch, missed));
        send(frame, livesense_scan(&batch, next->codes, 0));
        BARRIER();
        scans_out++;
        if (++undescribed == SCANS_A_SECOND) {
            undescribed = 0;
            describe(boot);
        }
    }
}

/* ---- Start ---------- */

static uint32_t EEMEM starts;

int main(void)
{
    /* Another number at every reset. An erased cell, all ones, counts on to 0. */
    const uint32_t boot = eeprom_read_dword(&starts) + 1u;
    eeprom_update_dword(&starts, boot);

    UCSR0A = _BV(U2X0);
    UBRR0 = F_CPU / 8u / BAUD - 1u;
    UCSR0B = _BV(TXEN0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    sei();
    send((const uint8_t *)"", 1); /* ends a frame that a reset cut short */
    describe(boot);

    DIDR0 = _BV(ADC0D) | _BV(ADC1D) | _BV(ADC2D) | _BV(ADC3D);
    ADMUX = _BV(REFS0);
    ADCSRA = CONVERTER_ON | _BV(ADSC);
    while (ADCSRA & _BV(ADSC)) { /* the first conversion is no good */
    }
    OCR1A = SLOT_CYCLES - 1u;
    TCCR1B = _BV(WGM12) | _BV(CS10);
    ADCSRA = CONVERTER_ON | _BV(ADSC);
    scan.codes[PINS] = (PIND >> PIND2) & 1u;
    TIMSK1 = _BV(OCIE1A);
    send_scans(boot);
}
