/* The functions of livesense_wire.h as a firmware would have them, for their size. SCANS_ONLY: no texts. */

#include "livesense_wire.h"

struct livesense_batch batch;

int start(void *buffer, size_t room);
size_t scan(const uint16_t *codes, uint32_t tick);
size_t flush_due(uint32_t tick);
size_t skip(uint32_t scans);

int start(void *buffer, size_t room)
{
    return livesense_batch_start(&batch, buffer, room, 0, CODE, 3, 16, 50);
}

size_t scan(const uint16_t *codes, uint32_t tick)
{
    return livesense_scan(&batch, codes, tick);
}

size_t flush_due(uint32_t tick)
{
    return livesense_flush_due(&batch, tick);
}

size_t skip(uint32_t scans)
{
    return livesense_skip(&batch, scans);
}

#ifndef SCANS_ONLY
size_t note(const char *text, void *buffer, size_t room);
size_t describe(const char *before_boot, uint32_t boot, const char *after_boot, void *buffer, size_t room);

size_t note(const char *text, void *buffer, size_t room)
{
    return livesense_note(text, buffer, room);
}

size_t describe(const char *before_boot, uint32_t boot, const char *after_boot, void *buffer, size_t room)
{
    struct livesense_frame frame;
    livesense_frame_begin(&frame, buffer, room, 'D');
    livesense_put_text(&frame, before_boot);
    livesense_put_number(&frame, boot);
    livesense_put_text(&frame, after_boot);
    return livesense_frame_close(&frame);
}
#endif
