/* From reset to main, without a C library. */

#include <stdint.h>

extern uint32_t data_begin[], data_end[], data_stored[], bss_begin[], bss_end[], stack_top[];

int main(void);
void scan_due(void);

void reset(void)
{
    const volatile uint32_t *from = data_stored; /* volatile: no call of a memcpy that is not there */
    volatile uint32_t *to;
    for (to = data_begin; to < data_end; to++)
        *to = *from++;
    for (to = bss_begin; to < bss_end; to++)
        *to = 0;
    main();
}

static void stop(void)
{
    for (;;) {
    }
}

struct vectors {
    uint32_t *stack;
    void (*handlers[15])(void);
};

/* Reset, then faults and system calls, and last SysTick. */
__attribute__((section(".vectors"), used)) static const struct vectors vectors = {
    stack_top, {reset, stop, stop, stop, stop, stop, 0, 0, 0, 0, stop, stop, 0, stop, scan_due}};
