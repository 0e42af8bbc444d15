/* Frames to the standard output of an emulator or debugger, by semihosting: as fast as USB full speed. */

#include "outlet.h"

enum { SYS_OPEN = 1, SYS_WRITE = 5 };

static uint32_t terminal;

/* Arguments in memory, the answer in r0; the breakpoint is the architecture's. */
static uint32_t ask(uint32_t what, const volatile uint32_t *arguments)
{
    register uint32_t r0 __asm__("r0") = what;
    register const volatile uint32_t *r1 __asm__("r1") = arguments;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

void outlet_start(void)
{
    static const char name[] = ":tt";
    const volatile uint32_t arguments[] = {(uint32_t)name, 5 /* "wb" */, sizeof name - 1};
    terminal = ask(SYS_OPEN, arguments);
}

void outlet_send(const uint8_t *bytes, size_t size)
{
    while (size) {
        const volatile uint32_t arguments[] = {terminal, (uint32_t)bytes, size};
        const size_t unwritten = ask(SYS_WRITE, arguments);
        bytes += size - unwritten;
        size = unwritten;
    }
}

int outlet_ready(void)
{
    return 1;
}
