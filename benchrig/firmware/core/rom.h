/* Words about the compiler: where constants live, what is kept through a reset, what is inlined. */
#ifndef BENCHRIG_ROM_H
#define BENCHRIG_ROM_H

#ifdef __AVR__
#define ROM __flash
#define NOINIT __attribute__((section(".noinit")))
#else
#define ROM
#define NOINIT
#endif

/* For interrupts: a call there would save every register a call may change. */
#define INLINE static inline __attribute__((always_inline))

#endif
