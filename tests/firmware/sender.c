/* A long-lived process around the header: a line of numbers in, a line of frames in hexadecimal out. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#ifdef BIT_BY_BIT /* a CRC of the user's own: the definition of it */
static uint16_t one_byte(uint16_t crc, uint8_t value)
{
    crc = (uint16_t)(crc ^ (value << 8));
    for (int bit = 0; bit < 8; bit++)
        crc = (uint16_t)(crc & 0x8000 ? (crc << 1) ^ 0x1021 : crc << 1);
    return crc;
}
#define LIVESENSE_CRC_BYTE(crc, value) one_byte(crc, value)
#endif

#include "livesense_wire.h"

static void show(const uint8_t *frame, size_t size)
{
    for (size_t at = 0; at < size; at++)
        printf("%02x", frame[at]);
    if (size)
        printf(" ");
}

static uint32_t number(void)
{
    unsigned long value = 0;
    if (scanf("%lu", &value) != 1)
        exit(2);
    return (uint32_t)value;
}

/* group code channels scans_full flush_ticks counter room(0: as the macro says) count {tick skip codes...} */
static void scans(void)
{
    const uint32_t group = number(), code = number(), channels = number(), full = number();
    const uint32_t flush = number(), counter = number();
    size_t room = number();
    const uint32_t count = number();
    if (!room)
        room = LIVESENSE_FRAME_SIZE(code == LIVESENSE_U12 ? LIVESENSE_SCAN_BYTES_U12(channels, full)
                                                          : LIVESENSE_SCAN_BYTES_U16(channels, full));
    /* Of exactly this size, so that the sanitizer sees a byte beyond. */
    uint8_t *buffers[2] = { malloc(room ? room : 1), malloc(room ? room : 1) };
    struct livesense_batch batch;
    const int fits = livesense_batch_start(&batch, buffers[0], room, (uint8_t)group, (enum livesense_code)code,
                                           (uint8_t)channels, (uint16_t)full, flush);
    batch.counter = counter;
    if (!fits)
        printf("refused");
    for (uint32_t at = 0; at < count; at++) {
        uint16_t codes[256];
        const uint32_t tick = number(), skip = number();
        for (uint32_t channel = 0; channel < channels; channel++)
            codes[channel] = (uint16_t)number();
        if (!fits)
            continue;
        if (skip)
            show(batch.buffer, livesense_skip(&batch, skip));
        const size_t size = livesense_scan(&batch, codes, tick);
        show(batch.buffer, size);
        if (size)
            livesense_batch_buffer(&batch, buffers[batch.buffer == buffers[0]]);
    }
    if (fits)
        show(batch.buffer, livesense_flush(&batch));
    free(buffers[0]);
    free(buffers[1]);
}

/* group code channels scans_full flush_ticks counter, then what is done in turn: S tick codes..., D tick (flush_due),
   F (flush), K scans (skip), and a dot at the end */
static void in_turn(void)
{
    const uint32_t group = number(), code = number(), channels = number(), full = number();
    const uint32_t flush = number(), counter = number();
    const size_t room = LIVESENSE_FRAME_SIZE(code == LIVESENSE_U12 ? LIVESENSE_SCAN_BYTES_U12(channels, full)
                                                                   : LIVESENSE_SCAN_BYTES_U16(channels, full));
    uint8_t *buffer = malloc(room);
    uint16_t codes[256];
    struct livesense_batch batch;
    char what;
    if (!livesense_batch_start(&batch, buffer, room, (uint8_t)group, (enum livesense_code)code, (uint8_t)channels,
                               (uint16_t)full, flush))
        exit(2);
    batch.counter = counter;
    while (scanf(" %c", &what) == 1 && what != '.') {
        size_t size = 0;
        if (what == 'S') {
            const uint32_t tick = number();
            for (uint32_t channel = 0; channel < channels; channel++)
                codes[channel] = (uint16_t)number();
            size = livesense_scan(&batch, codes, tick);
        } else if (what == 'D') {
            size = livesense_flush_due(&batch, number());
        } else if (what == 'K') {
            size = livesense_skip(&batch, number());
        } else {
            size = livesense_flush(&batch);
        }
        show(buffer, size);
    }
    free(buffer);
}

/* kind room size bytes... number */
static void text(void)
{
    const char kind = (char)number();
    const size_t room = number(), size = number();
    char *given = malloc(size + 1);
    uint8_t *buffer = malloc(room ? room : 1);
    for (size_t at = 0; at < size; at++)
        given[at] = (char)number();
    given[size] = 0;
    show(buffer, kind == 'D' ? livesense_description(given, buffer, room) : livesense_note(given, buffer, room));
    free(given);
    free(buffer);
}

static void decimal(void)
{
    uint8_t buffer[64];
    struct livesense_frame frame;
    livesense_frame_begin(&frame, buffer, sizeof buffer, 'N');
    livesense_put_number(&frame, number());
    show(buffer, livesense_frame_close(&frame));
}

int main(void)
{
    char what;
    while (scanf(" %c", &what) == 1) {
        if (what == 's')
            scans();
        else if (what == 'o')
            in_turn();
        else if (what == 't')
            text();
        else
            decimal();
        printf("\n");
        fflush(stdout);
    }
    return 0;
}
