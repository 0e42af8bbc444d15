/* Sender of livesense's framed wire (docs/wire.md): scans, descriptions and notes.

   One header, C99 or C++11. It needs <stdint.h> and <stddef.h> alone, allocates nothing and has no variables
   of its own. The frame is made in the caller's buffer byte by byte, stuffed and checked on the way: there is
   no second buffer, and a scan that closes a packet costs little more than any other.

       static uint8_t frame[LIVESENSE_FRAME_SIZE(LIVESENSE_SCAN_BYTES_U16(3, 16))];
       static struct livesense_batch currents;

       livesense_batch_start(&currents, frame, sizeof frame, 0, LIVESENSE_U16, 3, 16, flush_ticks);
       ...
       size = livesense_scan(&currents, codes, tick);      one code from each channel; send when not 0
       size = livesense_flush_due(&currents, tick);        now and then, for what has waited too long

   Interrupts: every function works on what its caller hands over and nothing else, waits for nothing and
   calls nothing outside this header. So any may be called in an interrupt. A struct belongs to one context:
   call livesense_scan, livesense_skip and livesense_flush_due of one batch all from the same interrupt, or
   all from the main loop, or with that interrupt off. Nothing here is volatile: what lies in the frame is
   seen by another context (or by DMA) after a barrier of yours.

   CRC: by shifts, without a table, unless one of these is defined before the header is included:

       LIVESENSE_CRC_TABLE              a table of 512 bytes, for 32-bit cores; on an AVR it would lie in RAM
       LIVESENSE_CRC_BYTE(crc, value)   a function or macro of yours, uint16_t of uint16_t and uint8_t: one
                                        byte of CRC-16/IBM-3740, by a CRC unit or a table in flash

   MIT licence, as livesense itself. */

#ifndef LIVESENSE_WIRE_H
#define LIVESENSE_WIRE_H

#include <stddef.h>
#include <stdint.h>

#ifndef UINT8_MAX
#error "livesense_wire.h needs uint8_t, which this compiler lacks: pack bytes by hand, as docs/wire.md says"
#endif

#define LIVESENSE_LARGEST_PACKET 4096u

/* Bytes of a buffer for a packet with so many bytes of body (scans: codes; description, note: text). */
#define LIVESENSE_FRAME_SIZE(body) ((size_t)(body) + 10u + ((size_t)(body) + 8u) / 254u)

/* Bytes that the codes of so many scans of so many channels take. */
#define LIVESENSE_SCAN_BYTES_U16(channels, scans) (2u * (size_t)(channels) * (size_t)(scans))
#define LIVESENSE_SCAN_BYTES_U12(channels, scans) ((3u * (size_t)(channels) * (size_t)(scans) + 1u) / 2u)

enum livesense_code { LIVESENSE_U16, LIVESENSE_I16, LIVESENSE_U12 };

/* ---- One frame, a byte at a time ---------- */

struct livesense_frame {
    uint8_t *bytes; /* the frame so far */
    uint8_t *limit; /* its last place, kept for the closing zero; bytes, when something did not fit */
    uint8_t *next;  /* where the next byte goes */
    uint8_t *piece; /* where the length of the open piece goes */
    uint16_t crc;
    uint8_t length; /* of the open piece */
    uint8_t full;   /* pieces that stand for no zero */
};

#if defined LIVESENSE_CRC_BYTE
static inline uint16_t livesense_crc(uint16_t crc, uint8_t value)
{
    return (uint16_t)LIVESENSE_CRC_BYTE(crc, value);
}
#elif defined LIVESENSE_CRC_TABLE
static const uint16_t livesense_crc_table[256] = {
    0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7,
    0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF,
    0x1231, 0x0210, 0x3273, 0x2252, 0x52B5, 0x4294, 0x72F7, 0x62D6,
    0x9339, 0x8318, 0xB37B, 0xA35A, 0xD3BD, 0xC39C, 0xF3FF, 0xE3DE,
    0x2462, 0x3443, 0x0420, 0x1401, 0x64E6, 0x74C7, 0x44A4, 0x5485,
    0xA56A, 0xB54B, 0x8528, 0x9509, 0xE5EE, 0xF5CF, 0xC5AC, 0xD58D,
    0x3653, 0x2672, 0x1611, 0x0630, 0x76D7, 0x66F6, 0x5695, 0x46B4,
    0xB75B, 0xA77A, 0x9719, 0x8738, 0xF7DF, 0xE7FE, 0xD79D, 0xC7BC,
    0x48C4, 0x58E5, 0x6886, 0x78A7, 0x0840, 0x1861, 0x2802, 0x3823,
    0xC9CC, 0xD9ED, 0xE98E, 0xF9AF, 0x8948, 0x9969, 0xA90A, 0xB92B,
    0x5AF5, 0x4AD4, 0x7AB7, 0x6A96, 0x1A71, 0x0A50, 0x3A33, 0x2A12,
    0xDBFD, 0xCBDC, 0xFBBF, 0xEB9E, 0x9B79, 0x8B58, 0xBB3B, 0xAB1A,
    0x6CA6, 0x7C87, 0x4CE4, 0x5CC5, 0x2C22, 0x3C03, 0x0C60, 0x1C41,
    0xEDAE, 0xFD8F, 0xCDEC, 0xDDCD, 0xAD2A, 0xBD0B, 0x8D68, 0x9D49,
    0x7E97, 0x6EB6, 0x5ED5, 0x4EF4, 0x3E13, 0x2E32, 0x1E51, 0x0E70,
    0xFF9F, 0xEFBE, 0xDFDD, 0xCFFC, 0xBF1B, 0xAF3A, 0x9F59, 0x8F78,
    0x9188, 0x81A9, 0xB1CA, 0xA1EB, 0xD10C, 0xC12D, 0xF14E, 0xE16F,
    0x1080, 0x00A1, 0x30C2, 0x20E3, 0x5004, 0x4025, 0x7046, 0x6067,
    0x83B9, 0x9398, 0xA3FB, 0xB3DA, 0xC33D, 0xD31C, 0xE37F, 0xF35E,
    0x02B1, 0x1290, 0x22F3, 0x32D2, 0x4235, 0x5214, 0x6277, 0x7256,
    0xB5EA, 0xA5CB, 0x95A8, 0x8589, 0xF56E, 0xE54F, 0xD52C, 0xC50D,
    0x34E2, 0x24C3, 0x14A0, 0x0481, 0x7466, 0x6447, 0x5424, 0x4405,
    0xA7DB, 0xB7FA, 0x8799, 0x97B8, 0xE75F, 0xF77E, 0xC71D, 0xD73C,
    0x26D3, 0x36F2, 0x0691, 0x16B0, 0x6657, 0x7676, 0x4615, 0x5634,
    0xD94C, 0xC96D, 0xF90E, 0xE92F, 0x99C8, 0x89E9, 0xB98A, 0xA9AB,
    0x5844, 0x4865, 0x7806, 0x6827, 0x18C0, 0x08E1, 0x3882, 0x28A3,
    0xCB7D, 0xDB5C, 0xEB3F, 0xFB1E, 0x8BF9, 0x9BD8, 0xABBB, 0xBB9A,
    0x4A75, 0x5A54, 0x6A37, 0x7A16, 0x0AF1, 0x1AD0, 0x2AB3, 0x3A92,
    0xFD2E, 0xED0F, 0xDD6C, 0xCD4D, 0xBDAA, 0xAD8B, 0x9DE8, 0x8DC9,
    0x7C26, 0x6C07, 0x5C64, 0x4C45, 0x3CA2, 0x2C83, 0x1CE0, 0x0CC1,
    0xEF1F, 0xFF3E, 0xCF5D, 0xDF7C, 0xAF9B, 0xBFBA, 0x8FD9, 0x9FF8,
    0x6E17, 0x7E36, 0x4E55, 0x5E74, 0x2E93, 0x3EB2, 0x0ED1, 0x1EF0
};

static inline uint16_t livesense_crc(uint16_t crc, uint8_t value)
{
    return (uint16_t)((uint16_t)(crc << 8) ^ livesense_crc_table[(uint8_t)((crc >> 8) ^ value)]);
}
#else
static inline uint16_t livesense_crc(uint16_t crc, uint8_t value)
{
    uint8_t x = (uint8_t)((crc >> 8) ^ value);
    uint8_t high;
    uint8_t low;
    x = (uint8_t)(x ^ (x >> 4));
    high = (uint8_t)((uint8_t)crc ^ (uint8_t)(x >> 3) ^ (uint8_t)(x << 4)); /* small cores shift bytes */
    low = (uint8_t)(x ^ (x << 5));
    return (uint16_t)(((uint16_t)high << 8) | low);
}
#endif

/* Stuffing without the CRC: used for the CRC itself. Once something did not fit, nothing more is written. */
static inline void livesense_stuff(struct livesense_frame *frame, uint8_t value)
{
    if (frame->length == 0xFFu) { /* a full piece stands for no zero */
        *frame->piece = 0xFF;
        frame->piece = frame->next++;
        frame->length = 1;
        frame->full++;
    }
    if (frame->next >= frame->limit) {
        frame->limit = frame->bytes;
        return;
    }
    if (value != 0) {
        *frame->next++ = value;
        frame->length++;
    } else {
        *frame->piece = frame->length;
        frame->piece = frame->next++;
        frame->length = 1;
    }
}

static inline void livesense_put(struct livesense_frame *frame, uint8_t value)
{
    frame->crc = livesense_crc(frame->crc, value);
    livesense_stuff(frame, value);
}

/* Begin a frame in a buffer of so many bytes. kind: 'S', 'D' or 'N'. */
static inline void livesense_frame_begin(struct livesense_frame *frame, void *buffer, size_t room, char kind)
{
    frame->bytes = (uint8_t *)buffer;
    frame->limit = (room > 0u) ? frame->bytes + (room - 1u) : frame->bytes;
    frame->next = (room > 0u) ? frame->bytes + 1 : frame->bytes;
    frame->piece = frame->bytes;
    frame->crc = 0xFFFF;
    frame->length = 1;
    frame->full = 0;
    livesense_put(frame, (uint8_t)kind);
}

/* Text that ends in a zero byte; the zero is not sent. */
static inline void livesense_put_text(struct livesense_frame *frame, const char *text)
{
    while (*text != '\0') {
        livesense_put(frame, (uint8_t)*text++);
    }
}

/* A number in decimal digits: for "boot" in a description. By subtraction: small cores cannot divide. */
static inline void livesense_put_number(struct livesense_frame *frame, uint32_t number)
{
    uint8_t below; /* digits behind this one */
    uint8_t begun = 0;
    for (below = 10; below-- > 0u;) {
        uint32_t place = 1;
        uint8_t digit = (uint8_t)'0';
        uint8_t at;
        for (at = 0; at < below; at++) {
            place *= 10u;
        }
        while (number >= place) {
            number -= place;
            digit++;
        }
        if (digit != (uint8_t)'0' || below == 0u) {
            begun = 1;
        }
        if (begun != 0) {
            livesense_put(frame, digit);
        }
    }
}

/* Close the frame: bytes to send; 0 if it did not fit the buffer or the largest packet. */
static inline size_t livesense_frame_close(struct livesense_frame *frame)
{
    const uint16_t crc = frame->crc;
    size_t size; /* before the closing zero: the packet, its first length, and those of full pieces */
    livesense_stuff(frame, (uint8_t)(crc & 0xFFu));
    livesense_stuff(frame, (uint8_t)(crc >> 8));
    size = (size_t)(frame->next - frame->bytes);
    if (frame->limit == frame->bytes || size > LIVESENSE_LARGEST_PACKET + 1u + frame->full) {
        return 0;
    }
    *frame->piece = frame->length;
    *frame->next = 0;
    return size + 1u;
}

static inline size_t livesense_text_frame(char kind, const char *text, void *buffer, size_t room)
{
    struct livesense_frame frame;
    livesense_frame_begin(&frame, buffer, room, kind);
    livesense_put_text(&frame, text);
    return livesense_frame_close(&frame);
}

/* A description (JSON): send it at boot and about once a second. Bytes to send; 0 if it did not fit. */
static inline size_t livesense_description(const char *json, void *buffer, size_t room)
{
    return livesense_text_frame('D', json, buffer, room);
}

/* A note, such as "ramp done". Bytes to send; 0 if it did not fit. */
static inline size_t livesense_note(const char *text, void *buffer, size_t room)
{
    return livesense_text_frame('N', text, buffer, room);
}

/* ---- Scans of one group, gathered into packets ---------- */

struct livesense_batch {
    struct livesense_frame frame;
    uint8_t *buffer;
    size_t room;
    uint32_t counter;     /* of the next scan, since boot; wraps by design */
    uint32_t flush_ticks; /* longest wait of a scan, in ticks of a count that wraps at 2^32; 0: no limit */
    uint32_t opened;      /* tick of the packet's first scan */
    uint16_t scans;       /* in the packet so far */
    uint16_t scans_full;
    uint8_t group;
    uint8_t channels;
    uint8_t code;
    uint8_t odd;  /* u12: a code waits for its partner */
    uint8_t half; /* its high four bits */
};

/* Start a group at counter 0. Returns 1; 0 if such packets fit neither the buffer (LIVESENSE_FRAME_SIZE)
   nor the largest packet, or hold nothing. */
static inline int livesense_batch_start(struct livesense_batch *batch, void *buffer, size_t room,
                                        uint8_t group, enum livesense_code code, uint8_t channels,
                                        uint16_t scans_full, uint32_t flush_ticks)
{
    const uint32_t codes = (uint32_t)channels * scans_full;
    const uint32_t bytes = (code == LIVESENSE_U12) ? (codes * 3u + 1u) / 2u : codes * 2u;
    uint32_t needed = bytes + 10u; /* and one for each 254 of bytes + 8, as LIVESENSE_FRAME_SIZE says */
    uint32_t more;
    batch->buffer = (uint8_t *)buffer;
    batch->room = room;
    batch->counter = 0;
    batch->flush_ticks = flush_ticks;
    batch->opened = 0;
    batch->scans = 0;
    batch->scans_full = scans_full;
    batch->group = group;
    batch->channels = channels;
    batch->code = (uint8_t)code;
    batch->odd = 0;
    batch->half = 0;
    if (codes == 0u || bytes > LIVESENSE_LARGEST_PACKET - 8u) {
        return 0;
    }
    for (more = bytes + 8u; more >= 254u; more -= 254u) { /* small cores cannot divide */
        needed++;
    }
    return (needed <= room) ? 1 : 0;
}

/* Go on in another buffer of the same size, while the one before is being sent (DMA). Between frames only. */
static inline void livesense_batch_buffer(struct livesense_batch *batch, void *buffer)
{
    batch->buffer = (uint8_t *)buffer;
}

/* Close what has gathered. Bytes to send; 0 if nothing had. */
static inline size_t livesense_flush(struct livesense_batch *batch)
{
    if (batch->scans == 0) {
        return 0;
    }
    batch->scans = 0;
    if (batch->odd != 0) {
        batch->odd = 0;
        livesense_put(&batch->frame, batch->half);
    }
    return livesense_frame_close(&batch->frame);
}

/* The same, if the first scan has waited for flush_ticks: call it where no scan may come for long. */
static inline size_t livesense_flush_due(struct livesense_batch *batch, uint32_t tick)
{
    if (batch->flush_ticks == 0 || (uint32_t)(tick - batch->opened) < batch->flush_ticks) {
        return 0;
    }
    return livesense_flush(batch);
}

/* Count scans that were taken, or due, and will not be sent: the gap is seen. Closes what has gathered. */
static inline size_t livesense_skip(struct livesense_batch *batch, uint32_t scans)
{
    batch->counter += scans;
    return livesense_flush(batch);
}

/* Add a scan: one code of each channel (of i16: cast to uint16_t; of u12: the low 12 bits are taken).
   Bytes to send, when the packet is full or its first scan has waited for flush_ticks; else 0. Send or
   copy the bytes, or hand over another buffer, before the next scan. */
static inline size_t livesense_scan(struct livesense_batch *batch, const uint16_t *codes, uint32_t tick)
{
    uint8_t at;
    if (batch->scans == 0) {
        uint32_t counter = batch->counter;
        livesense_frame_begin(&batch->frame, batch->buffer, batch->room, 'S');
        livesense_put(&batch->frame, batch->group);
        for (at = 0; at < 4; at++) {
            livesense_put(&batch->frame, (uint8_t)(counter & 0xFFu));
            counter >>= 8;
        }
        batch->opened = tick;
    }
    for (at = 0; at < batch->channels; at++) {
        const uint16_t code = codes[at];
        if (batch->code != LIVESENSE_U12) {
            livesense_put(&batch->frame, (uint8_t)(code & 0xFFu));
            livesense_put(&batch->frame, (uint8_t)(code >> 8));
        } else if (batch->odd == 0) {
            livesense_put(&batch->frame, (uint8_t)(code & 0xFFu));
            batch->half = (uint8_t)((code >> 8) & 0x0Fu);
            batch->odd = 1;
        } else {
            livesense_put(&batch->frame, (uint8_t)(batch->half | (uint8_t)((code & 0x0Fu) << 4)));
            livesense_put(&batch->frame, (uint8_t)((code >> 4) & 0xFFu));
            batch->odd = 0;
        }
    }
    batch->counter++;
    batch->scans++;
    return batch->scans >= batch->scans_full ? livesense_flush(batch) : livesense_flush_due(batch, tick);
}

#endif
