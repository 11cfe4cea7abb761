/* The host build has one thread and no interrupts: critical sections are nothing. */
#ifndef BENCHRIG_PORT_LOCK_H
#define BENCHRIG_PORT_LOCK_H

#include <stdint.h>

static inline uint8_t port_lock(void)
{
    return 0;
}

static inline void port_unlock(uint8_t was)
{
    (void)was;
}

#endif
