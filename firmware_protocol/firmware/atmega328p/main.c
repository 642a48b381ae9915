/* An ATmega328P at 16 MHz as a board: A0 to A3 analog, D8 (input capture) for level changes.
 *
 * Timer 1 counts the board's ticks, 0.5 us each, and captures level changes. Timer 0 counts the same ticks and triggers
 * the converter, so that when a sample was taken is arithmetic and no interrupt decides it: an interrupt has only to fetch
 * the result before the next trigger. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "../core/es_blocks.h"
#include "../core/es_board.h"
#include "../core/es_edges.h"
#include "../core/es_port.h"

#ifndef BAUD
#define BAUD 1000000
#endif
#define TICKS_HZ (F_CPU / 8)
#define SLOTS 4 /* in a scan, one for each analog input; those that are not asked for stay idle at its end */
#define SLOT_MASK (SLOTS - 1)
#define EDGE_INPUT 4
#define HEARD 32 /* a power of two: two of the longest commands */

#ifndef RATES_HZ
#define RATES_HZ 2500, 5000, 10000 /* tests/bench/bench_firmware.py tries others */
#endif

static const uint32_t rates_hz[] = {RATES_HZ};
static const char *const names[] = {"A0", "A1", "A2", "A3", "D8"};

const es_board_facts es_facts = {
    .board = "evenstroke ATmega328P",
    .firmware = "1.0.0",
    .clock_hz = TICKS_HZ,
    .reference_mv = 5000,
    .adc_bits = 10,
    .analog_inputs = 4,
    .edge_inputs = 1,
    .rates = sizeof rates_hz / sizeof rates_hz[0],
    .rates_hz = rates_hz,
    .inputs = names,
    .baud = BAUD,
};

/* --- why the board was reset ------------------------------------------------------------------------------------ */

static uint8_t reset_flags __attribute__((section(".noinit")));

/* The boot loader of most boards clears the register that tells, and hands it on in r2 (from memory: its own
 * documentation). Before anything else uses r2, and so that the watchdog does not bite during start-up. */
void keep_reset_flags(void) __attribute__((naked, used, section(".init0")));
void keep_reset_flags(void)
{
    __asm__ __volatile__("sts reset_flags, r2");
}

void stop_watchdog(void) __attribute__((naked, used, section(".init3")));
void stop_watchdog(void)
{
    if (MCUSR)
        reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

static uint8_t reset_cause(void)
{
    if (reset_flags & _BV(WDRF))
        return 4;
    if (reset_flags & _BV(BORF))
        return 3;
    if (reset_flags & _BV(EXTRF))
        return 2;
    return reset_flags & _BV(PORF) ? 1 : 0;
}

static uint32_t count_boot(void)
{
    uint32_t *const place = (uint32_t *)0;
    const uint32_t boots = eeprom_read_dword(place) + 1; /* 0xFFFFFFFF in a new one: its first boot is 0, "none" */
    const uint32_t count = boots ? boots : 1;
    eeprom_update_dword(place, count);
    return count;
}

/* --- time --------------------------------------------------------------------------------------------------------- */

static volatile uint16_t epoch; /* the upper half of the ticks */

ISR(TIMER1_OVF_vect)
{
    epoch++;
}

/* The upper half that belongs to a reading of the lower, interrupts being off: the counter may have wrapped unseen. */
static inline uint16_t epoch_of(uint16_t low)
{
    return (TIFR1 & _BV(TOV1)) && low < 0x8000 ? epoch + 1 : epoch;
}

static inline uint32_t ticks_locked(void)
{
    const uint16_t low = TCNT1;
    return (uint32_t)epoch_of(low) << 16 | low;
}

uint32_t es_port_ticks(void)
{
    es_port_lock();
    const uint32_t now = ticks_locked();
    es_port_unlock();
    return now;
}

void es_port_lock(void)
{
    cli();
}

void es_port_unlock(void)
{
    sei();
}

/* --- level changes ------------------------------------------------------------------------------------------------ */

ISR(TIMER1_CAPT_vect)
{
    /* Back from now: an overflow since the edge may be counted already, where this interrupt had just before let others in. */
    const uint16_t edge = ICR1;
    const uint32_t now = ticks_locked();
    /* The converter must not wait for the rest: it has some 140 cycles at the highest rate. */
    TIMSK1 &= (uint8_t)~_BV(ICIE1);
    sei();
    const uint8_t rising = TCCR1B & _BV(ICES1);
    es_edges_put(now - (uint16_t)((uint16_t)now - edge), rising ? EDGE_INPUT | ES_RISING : EDGE_INPUT);
    TCCR1B ^= _BV(ICES1);
    TIFR1 = _BV(ICF1); /* turning the edge round may set it */
    const uint8_t is_high = PINB & _BV(PINB0);
    if ((rising != 0) != (is_high != 0)) {
        /* It went back while nobody looked: without this the next change would be waited for the wrong way round. */
        es_count_up(&es_edges.missed);
        TCCR1B ^= _BV(ICES1);
        TIFR1 = _BV(ICF1);
    }
    cli();
    TIMSK1 |= _BV(ICIE1);
}

uint32_t es_port_edges_until(uint8_t *waiting)
{
    for (;;) {
        es_port_lock();
        const uint32_t now = ticks_locked();
        const bool captured = (TIFR1 & _BV(ICF1)) && (TIMSK1 & _BV(ICIE1)); /* and not in the ring yet */
        *waiting = es_edges_waiting();
        es_port_unlock();
        if (!captured)
            return now;
    }
}

static void watch_edges(void)
{
    /* From the level that there is, wait for the other one. */
    TCCR1B = (TCCR1B & (uint8_t)~_BV(ICES1)) | (PINB & _BV(PINB0) ? 0 : _BV(ICES1));
    TIFR1 = _BV(ICF1);
    TIMSK1 |= _BV(ICIE1);
}

/* --- samples ------------------------------------------------------------------------------------------------------ */

#define RAW 64 /* bytes, a power of two: eight scans of four inputs, 800 us at the highest rate */

static uint8_t raw[RAW];

/* After a loss: each is left by one side only, so that no resumption is overwritten before its scans are placed. */
enum { NO_GAP, MAY_GO_ON, WENT_ON };

static struct {
    uint8_t mux[SLOTS]; /* what each slot converts */
    uint8_t inputs;     /* slots in use */
    uint16_t slot_ticks, scan_ticks;
    /* the interrupt's */
    uint16_t due;              /* lower half of the tick at which the next slot 0 is triggered */
    uint16_t number;           /* of the scan in progress, modulo 65536 */
    volatile uint8_t storing;  /* slots that are stored: inputs, or 0 while stopped because something was lost */
    volatile uint8_t checked;  /* up to here `raw` holds whole scans without a lost trigger */
    volatile uint16_t resumed; /* with this scan it went on; the main loop reads it while WENT_ON */
    volatile uint16_t lost;    /* triggers, since the main loop last added them up */
    /* the main loop's */
    volatile uint8_t gap; /* from MAY_GO_ON to WENT_ON by the interrupt */
    volatile uint8_t taken;
    uint16_t next; /* number of the scan that it takes next */
    uint32_t overruns;
} scan;

/* Registers that take one cycle to reach: what the interrupt needs at every conversion. */
#define IS_FIRST GPIOR0 /* bit 0: the conversion in progress is that of slot 0 */
#define RAW_AT GPIOR1
#define SLOT GPIOR2

/* The result must be fetched and the flag be cleared before the next trigger, and 40000 times a second: so only what a
 * slot needs is done and saved, and the main loop packs. Whether triggers were lost is looked at once a scan. */
void __vector_first_slot(void) __attribute__((signal, used));
void __vector_later_slot(void) __attribute__((signal, used));

ISR(ADC_vect, ISR_NAKED)
{
    __asm__ __volatile__("sbis %0, 0\n\t"
                         "jmp __vector_later_slot\n\t"
                         "jmp __vector_first_slot" ::"I"(_SFR_IO_ADDR(IS_FIRST)));
}

static inline void store(uint8_t slot, uint8_t low, uint8_t high)
{
    if (slot < scan.storing) {
        const uint8_t at = RAW_AT;
        raw[at] = low;
        raw[at + 1] = high;
        RAW_AT = (at + 2) & (RAW - 1);
    }
}

void __vector_later_slot(void)
{
    const uint8_t slot = SLOT;
    const uint8_t low = ADCL;
    const uint8_t high = ADCH;
    const uint8_t next = (slot + 1) & SLOT_MASK;
    ADMUX = scan.mux[next]; /* first: a trigger in between is lost, and so counted, but never takes the input before */
    TIFR0 = _BV(OCF0A);     /* the converter starts when this flag rises */
    SLOT = next;
    if (next == 0)
        IS_FIRST = 1;
    store(slot, low, high);
}

void __vector_first_slot(void)
{
    uint16_t late = TCNT1 - scan.due; /* before the flag is cleared: what comes in between shows a scan later */
    const uint8_t low = ADCL;
    const uint8_t high = ADCH;
    uint8_t next = 1;
    ADMUX = scan.mux[1];
    TIFR0 = _BV(OCF0A);
    scan.number++;
    scan.due += scan.scan_ticks;
    if (late >= scan.slot_ticks) {
        /* Triggers came while interrupts were held up. What came since the last look may be of other inputs. */
        RAW_AT = scan.checked;
        scan.storing = 0;
        /* Whole scans first: this must itself be over before the next trigger. */
        for (; late >= scan.scan_ticks; late -= scan.scan_ticks) {
            scan.lost += SLOTS;
            scan.number++;
            scan.due += scan.scan_ticks;
        }
        for (; late >= scan.slot_ticks; late -= scan.slot_ticks) {
            scan.lost++;
            if (next == 0) {
                scan.number++;
                scan.due += scan.scan_ticks;
            }
            next = (next + 1) & SLOT_MASK;
        }
        ADMUX = scan.mux[next];
    } else if (scan.storing) {
        const uint8_t at = RAW_AT;
        scan.checked = at;
        if (((scan.taken - at - 1) & (RAW - 1)) < 2 * SLOTS)
            scan.storing = 0; /* the main loop is behind: no room for this scan */
    } else if (scan.gap == MAY_GO_ON) {
        scan.storing = scan.inputs;
        scan.resumed = scan.number;
        scan.gap = WENT_ON;
    }
    SLOT = next;
    IS_FIRST = next == 0;
    store(0, low, high);
}

/* `raw` is not volatile, which would cost the interrupt 9 cycles a conversion: what is read of it stays between these. */
static inline void fence(void)
{
    __asm__ __volatile__("" ::: "memory");
}

static void pack(void)
{
    const uint8_t upto = scan.checked;
    uint8_t at = scan.taken;
    if (at == upto && scan.storing && scan.gap == NO_GAP)
        return;
    if (scan.gap == WENT_ON) {
        /* It went on, and all from before had been taken: what is in `raw` came since. */
        es_blocks_tear(scan.resumed - scan.next);
        scan.next = scan.resumed;
        scan.gap = NO_GAP;
    }
    fence();
    while (at != upto) {
        es_blocks_put_scan(raw, at, RAW - 1);
        at = (at + 2 * scan.inputs) & (RAW - 1);
        scan.next++;
        es_port_feed_line();
    }
    fence();
    scan.taken = at;
    if (scan.gap == NO_GAP && !scan.storing && at == scan.checked)
        scan.gap = MAY_GO_ON;
}

uint32_t es_port_scan_ticks(uint32_t rate_hz)
{
    return TICKS_HZ / rate_hz;
}

uint16_t es_port_skew_ticks(uint32_t rate_hz)
{
    return (uint16_t)(TICKS_HZ / rate_hz / SLOTS);
}

uint32_t es_port_overruns(void)
{
    const uint16_t lost = scan.lost;
    scan.lost = 0;
    scan.overruns = lost > UINT32_MAX - scan.overruns ? UINT32_MAX : scan.overruns + lost;
    return scan.overruns;
}

/* ADC clock: as slow, and so as accurate, as the rate allows; 13.5 of its periods must be over well within a slot.
 * HARDWARE.md says what accuracy each costs. */
static uint8_t prescaler_bits(uint32_t rate_hz)
{
    if (rate_hz <= 2500)
        return 6; /* /64: 250 kHz */
    return rate_hz <= 5000 ? 5 : 4; /* /32: 500 kHz; /16: 1 MHz */
}

static void convert_once(void)
{
    ADCSRA |= _BV(ADSC);
    while (ADCSRA & _BV(ADSC)) {
    }
}

void es_port_start(uint32_t rate_hz, uint16_t mask, uint8_t block_scans, bool counting)
{
    scan.inputs = 0;
    for (uint8_t i = 0; i < SLOTS; i++)
        if (mask & 1u << i)
            scan.mux[scan.inputs++] = _BV(REFS0) | i;
    for (uint8_t i = scan.inputs; i < SLOTS; i++)
        scan.mux[i] = _BV(REFS0) | 0;
    scan.overruns = scan.lost = 0;
    if (mask & 1u << EDGE_INPUT)
        watch_edges();
    RAW_AT = scan.checked = scan.taken = 0;
    SLOT = 0;
    IS_FIRST = 1;
    scan.storing = scan.inputs;
    scan.gap = NO_GAP;
    scan.number = 0xFFFF;
    scan.next = 0;
    if (!scan.inputs)
        return;

    scan.slot_ticks = es_port_skew_ticks(rate_hz);
    scan.scan_ticks = scan.slot_ticks * SLOTS;
    const uint8_t prescaler = prescaler_bits(rate_hz);
    ADMUX = scan.mux[0];
    ADCSRB = _BV(ADTS1) | _BV(ADTS0); /* timer 0 compare A */
    ADCSRA = _BV(ADEN) | prescaler;
    convert_once(); /* the first conversion takes 25 clocks and would swallow a trigger */
    OCR0A = (uint8_t)(scan.slot_ticks - 1);
    TCCR0A = _BV(WGM01);
    es_port_lock();
    /* Both timers count the same ticks; just behind one, so that clearing this and reading that fall into one. */
    for (const uint8_t before = TCNT1L; TCNT1L == before;) {
    }
    TCNT0 = 0;
    const uint32_t now = ticks_locked();
    const uint32_t trigger = now + scan.slot_ticks;
    scan.due = (uint16_t)trigger;
    TIFR0 = _BV(OCF0A);
    ADCSRA |= _BV(ADATE) | _BV(ADIF) | _BV(ADIE);
    es_port_unlock();
    /* Only now, since it takes longer than a slot; the main loop, which is here, is what fills blocks. The voltage is held
     * two ADC clocks behind the trigger (data sheet, auto triggering; from memory). */
    es_blocks_begin(scan.inputs, block_scans, trigger + ((2u << prescaler) >> 3), es_port_scan_ticks(rate_hz), counting);
}

void es_port_stop(void)
{
    es_port_lock();
    ADCSRA = 0;
    TIMSK1 &= (uint8_t)~_BV(ICIE1);
    es_port_unlock();
    pack();
}

/* --- the line ----------------------------------------------------------------------------------------------------- */

static struct {
    volatile uint8_t byte[HEARD];
    volatile uint8_t put, taken;
} heard;

ISR(USART_RX_vect)
{
    const uint8_t byte = UDR0;
    if ((uint8_t)(heard.put - heard.taken) < HEARD) {
        heard.byte[heard.put & (HEARD - 1)] = byte;
        heard.put++;
    }
}

void es_port_feed_line(void)
{
    if ((UCSR0A & _BV(UDRE0)) && es_board_has_byte())
        UDR0 = es_board_next_byte();
}

/* Visited when there is nothing to do; how often says how much of the processor is left. */
static void __attribute__((noinline)) rest(void)
{
    __asm__ __volatile__("");
}

int main(void)
{
    /* U2X: 16 MHz gives 250, 500 and 1000 kbaud exactly. The register that sets it goes before the rate. */
    UCSR0A = _BV(U2X0);
    UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UBRR0 = F_CPU / 8 / BAUD - 1;
    _Static_assert(F_CPU / 8 % BAUD == 0, "this rate cannot be had exactly from this clock");

    DIDR0 = 0x0F;        /* no digital buffers on A0 to A3 */
    PORTB |= _BV(PORTB0); /* pull-up: an open input is quiet */
    TCCR0B = _BV(CS01);
    TCCR1A = 0;
    TCCR1B = _BV(ICNC1) | _BV(CS11); /* noise canceller: four clocks, always the same */
    TIMSK1 = _BV(TOIE1);

    es_board_begin(reset_cause(), count_boot());
    wdt_enable(WDTO_250MS);
    sei();
    for (;;) {
        wdt_reset();
        es_port_feed_line();
        pack();
        if (heard.put != heard.taken && es_board_hear(heard.byte[heard.taken & (HEARD - 1)]))
            heard.taken++;
        if (!es_board_step())
            rest();
    }
}
