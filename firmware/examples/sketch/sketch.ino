/* Three phase currents at 1 kHz and the drive's state at 10 Hz, over the serial port at 115200 Bd.

   Put livesense_wire.h beside this file. Change pins, names and rates to your board; bench.toml says what the
   codes mean. analogRead takes one channel after the other, about 110 us each on a 16 MHz board with 10 bits:
   bench.toml says so (delay), and phasors are corrected. For rates beyond a few kHz let a timer start the
   converter, and fill the batch in its interrupt.

   De-energise the drive before you connect or program the board: a board that starts anew may release its
   outputs. */

#include "livesense_wire.h"

static const uint8_t PIN_U = A0, PIN_V = A1, PIN_W = A2, PIN_ENABLE = 2, PIN_FAULT = 3;
static const uint32_t PERIOD_US = 1000;
static const uint8_t SCANS = 16; /* in a packet: 16 ms */

/* Rates and channels are those of the code below. */
static const char ABOUT[] = "{\"livesense\":1,\"device\":\"pump-sketch\",\"groups\":["
                            "{\"rate_hz\":1000,\"code\":\"u12\",\"bits\":10,"
                            "\"channels\":[\"iu\",\"iv\",\"iw\"]},"
                            "{\"rate_hz\":10,\"code\":\"u16\",\"bits\":2,\"channels\":[\"state\"]}]}";

/* Two buffers: one is filled while the other is on its way. */
static uint8_t current_frames[2][LIVESENSE_FRAME_SIZE(LIVESENSE_SCAN_BYTES_U12(3, SCANS))];
static uint8_t state_frame[LIVESENSE_FRAME_SIZE(LIVESENSE_SCAN_BYTES_U16(1, 1))];
static uint8_t about_frame[LIVESENSE_FRAME_SIZE(sizeof ABOUT)];
static size_t about_size;
static struct livesense_batch currents, state;
static uint8_t filling;

/* Frames on their way, the more urgent first. One that was begun is finished before another begins. */
struct outgoing {
    const uint8_t *next;
    size_t left;
};
static struct outgoing outgoing[3];
static struct outgoing *line = outgoing;
enum { CURRENTS, STATE, DESCRIPTION };

static void post(uint8_t which, const uint8_t *frame, size_t size)
{
    outgoing[which].next = frame;
    outgoing[which].left = size;
}

/* As much as the port takes without waiting: a write that waits would cost scans. */
static void send_some()
{
    for (uint8_t which = 0; !line->left && which < 3; which++)
        line = &outgoing[which];
    size_t room = (size_t)Serial.availableForWrite();
    if (room > line->left)
        room = line->left;
    if (room) {
        Serial.write(line->next, room);
        line->next += room;
        line->left -= room;
    }
}

/* A packet of currents is full. Is the one before still on its way, this one is not sent: its scans are
   counted, and livesense records the gap. */
static void currents_full(size_t size)
{
    if (outgoing[CURRENTS].left)
        return;
    post(CURRENTS, current_frames[filling], size);
    filling ^= 1;
    livesense_batch_buffer(&currents, current_frames[filling]);
}

static void scan_currents(uint32_t now)
{
    uint16_t codes[3];
    codes[0] = (uint16_t)analogRead(PIN_U);
    codes[1] = (uint16_t)analogRead(PIN_V);
    codes[2] = (uint16_t)analogRead(PIN_W);
    const size_t size = livesense_scan(&currents, codes, now);
    if (size)
        currents_full(size);
}

/* Gate enable, and the driver's fault pin, which is low in a fault: 0 off, 1 running, 2 and 3 fault. */
static void scan_state(uint32_t now)
{
    uint16_t code = digitalRead(PIN_ENABLE) ? 1 : 0;
    if (!digitalRead(PIN_FAULT))
        code = (uint16_t)(code | 2);
    if (outgoing[STATE].left)
        (void)livesense_skip(&state, 1);
    else
        post(STATE, state_frame, livesense_scan(&state, &code, now));
}

static uint32_t due;          /* us, of the next scan */
static uint32_t scans_passed; /* since boot */
static uint32_t states_due, about_due;

void setup()
{
    pinMode(PIN_ENABLE, INPUT);
    pinMode(PIN_FAULT, INPUT_PULLUP);
    Serial.begin(115200);
    Serial.write((const uint8_t *)"", 1); /* a zero closes whatever the reset cut short */
    livesense_batch_start(&currents, current_frames[0], sizeof current_frames[0], 0, LIVESENSE_U12, 3, SCANS,
                          0);
    livesense_batch_start(&state, state_frame, sizeof state_frame, 1, LIVESENSE_U16, 1, 1, 0);
    about_size = livesense_description(ABOUT, about_frame, sizeof about_frame);
    due = micros();
}

void loop()
{
    send_some();
    const uint32_t now = micros();
    const uint32_t late = now - due;
    if (late >= 0x80000000UL) /* not yet */
        return;
    const uint32_t missed = late / PERIOD_US;
    if (missed) { /* scans that were due and not taken are counted, too */
        const size_t size = livesense_skip(&currents, missed);
        if (size)
            currents_full(size);
    }
    scan_currents(now);
    due += (missed + 1) * PERIOD_US;
    scans_passed += missed + 1;
    for (; (int32_t)(scans_passed - states_due) > 0; states_due += 100)
        scan_state(now);
    if ((int32_t)(scans_passed - about_due) > 0 && !outgoing[DESCRIPTION].left) {
        post(DESCRIPTION, about_frame, about_size);
        about_due = scans_passed + 1000;
    }
}
