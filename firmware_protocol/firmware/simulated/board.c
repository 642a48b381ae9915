/* The real firmware in a simulated ATmega328P: its UART is a pty, its pins are fed from files.
 * SPDX-License-Identifier: GPL-3.0-only (see LICENCE.md in this folder)
 *
 * board FIRMWARE.elf [option value]...
 *   --volts FILE        float32, four inputs a row; --volts-rate HZ: rows per second. Between rows the voltage is a
 *                       straight line; after the last one it stays.
 *   --levels FILE       text: seconds, and the level of D8 from then on, ascending
 *   --play-from WHEN    where the seconds of both files begin: reset (default), or start, at the first conversion of the
 *                       first run; until then voltages are those of the first row and D8 is low
 *   --played S          say "played" on stderr once so many seconds of the files are over
 *   --clock PPM[:DRIFT] the crystal is so much too fast, and by DRIFT more each second. All seconds here are true ones.
 *   --transcript FILE   write what the board sends there too: lines of true seconds, and the bytes that left by then
 *   --pace RATIO        seconds simulated per second of the host's; 0, the default: as fast as it goes
 *   --seconds S         end after so many simulated seconds, counted from where those of the files begin
 *   --reset-at S        press reset then
 *   --lose-triggers S:N[,M,N]...  keep N triggers in a row from the converter, as an overrun does; let M pass, keep N...
 *   --byte-cycles N     cycles that a byte takes on the line, instead of what the firmware sets
 *   --rest ADDRESS      of the function that idles: how often it is visited is told at the end (see --play-from)
 * A firmware for measuring writes OCR2B, which nothing else uses: the cycle of each such write is told at the end.
 * First line of stdout: the pty's path. At the end, also at SIGTERM, a line of JSON on stderr. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_interrupts.h>

#define CPU_HZ 16000000
#define INPUTS 4
#define TIMER0_COMPA 14 /* vector number */
#define TIFR0 0x35      /* data address */
#define OCF0A 0x02
#define ADCSRA 0x7A
#define ADPS 0x07
#define TIFR1 0x36
#define ICF1 0x20
#define TOV1 0x01
#define TCCR1B 0x81
#define ICES1 0x40
#define ICNC1 0x80
#define UCSR0A 0xC0
#define UDRE0 0x20
#define U2X0 0x02
#define UBRR0L 0xC4
#define UDR0 0xC6
#define MCUSR 0x54
#define EXTRF 0x02
#define OCR2B 0xB4
#define MOST_MARKS 64
#define LOOK_EVERY 4000 /* cycles, between two looks for what the host sent */

static avr_t *avr;
static int results; /* the real stdout: the simulator prints what it likes to the other */
static volatile sig_atomic_t ending;

static struct {
    const float *rows;
    size_t count;
    double rate;
} volts;

static struct {
    double *at;
    int *level;
    size_t count, next;
} levels;

static struct {
    int master;
    bool may_send; /* the UART's buffer has room */
} line = {.may_send = true};

static struct {
    bool flag;           /* OCF0A, as the converter sees it */
    avr_irq_t *in;       /* starts a conversion */
    avr_irq_t *pin[INPUTS];
    double lose_at;
    long left;           /* to keep, or to let pass */
    bool passing;
    const char *then;    /* what is left of the list */
    uint64_t kept_back;  /* by --lose-triggers */
    uint64_t missed;     /* came while the flag still stood or a conversion was under way */
    uint64_t conversions;
} adc;

static struct {
    double fast, drift; /* the board's seconds in a true one, and how they grow in each */
} crystal = {.fast = 1.0};

/* True seconds: the board's own, cycle / CPU_HZ, are fast * t + drift * t * t / 2. */
static double seconds(avr_cycle_count_t cycle)
{
    const double own = (double)cycle / CPU_HZ;
    return 2.0 * own / (crystal.fast + sqrt(crystal.fast * crystal.fast + 2.0 * crystal.drift * own));
}

static struct {
    bool from_start;
    double begins;    /* where the seconds of the files begin; infinite: not yet */
    double tell_at;
} play = {.tell_at = -1.0};

static struct {
    FILE *file;
    uint8_t bytes[1024];
    size_t count;
} transcript;

static struct {
    avr_cycle_count_t at[MOST_MARKS];
    size_t count;
} marks;

static void fail(const char *what)
{
    fprintf(stderr, "board: %s: %s\n", what, errno ? strerror(errno) : "wrong");
    exit(1);
}

/* --- converter ---------------------------------------------------------------------------------------------------- */

static double volts_at(double t, int input)
{
    if (!volts.count)
        return 0.0;
    const double place = t > play.begins ? (t - play.begins) * volts.rate : 0.0;
    if (place >= (double)(volts.count - 1))
        return volts.rows[(volts.count - 1) * INPUTS + input];
    const size_t row = (size_t)place;
    const double part = place - (double)row;
    return volts.rows[row * INPUTS + input] * (1.0 - part) + volts.rows[(row + 1) * INPUTS + input] * part;
}

/* A conversion begins: the voltage is held two of its clocks later (data sheet, auto triggering; from memory). */
static void converts(avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    const union {
        uint32_t value;
        avr_adc_mux_t mux;
    } chosen = {.value = value};
    const unsigned prescaler = 1u << (avr->data[ADCSRA] & ADPS);
    const int input = chosen.mux.src;
    adc.conversions++;
    if (input < INPUTS) {
        const double mv = 1000.0 * volts_at(seconds(avr->cycle + 2 * prescaler), input);
        avr_raise_irq(adc.pin[input], (uint32_t)(mv < 0 ? 0 : mv + 0.5));
    }
}

/* The simulator knows no triggers: the compare flag's rise is one. */
static void compare_flag(avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    if (!value)
        return;
    if (!(avr->data[ADCSRA] & (1 << 5)))
        return; /* no auto trigger */
    if (adc.left > 0 && seconds(avr->cycle) >= adc.lose_at) {
        const bool passes = adc.passing;
        if (--adc.left == 0 && *adc.then == ',') {
            adc.passing = !adc.passing;
            adc.left = strtol(adc.then + 1, (char **)&adc.then, 10);
        }
        if (!passes) {
            adc.kept_back++;
            return;
        }
    }
    if (adc.flag || avr->data[ADCSRA] & (1 << 6)) {
        adc.missed++;
        return;
    }
    if (play.from_start) {
        play.from_start = false;
        play.begins = seconds(avr->cycle);
    }
    adc.flag = true;
    avr_raise_irq(adc.in, 1);
}

static void tifr0_written(avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)unused;
    if (value & OCF0A)
        adc.flag = false;
}

/* The simulator lets a write to the flags of timer 1 clear all of them, the pending overflow too, and time then lacks
 * 32 ms; the real one clears those that were written as 1. */
static void tifr1_written(avr_t *mcu, avr_io_addr_t address, uint8_t value, void *timer)
{
    (void)address;
    avr_timer_t *const t = timer;
    if (value & ICF1)
        avr_clear_interrupt(mcu, &t->icr);
    if (value & TOV1)
        avr_clear_interrupt(mcu, &t->overflow);
}

/* The simulator begins a timer anew whenever its control register is written. Where only the edge to be captured or the
 * noise canceller changes, the real one counts on: so here. */
static struct {
    avr_io_write_t write;
    void *param;
} tccr1b;

static void tccr1b_written(avr_t *mcu, avr_io_addr_t address, uint8_t value, void *unused)
{
    (void)unused;
    if ((mcu->data[address] ^ value) & (uint8_t)~(ICES1 | ICNC1))
        tccr1b.write(mcu, address, value, tccr1b.param);
    else
        mcu->data[address] = value;
}

/* --- level changes ------------------------------------------------------------------------------------------------ */

/* What is wired to D8 is stronger than the pull-up, also when the firmware switches that on. */
static void drive_d8(avr_irq_t *d8, int level)
{
    avr_ioport_external_t wired = {.name = 'B', .mask = 1, .value = level ? 1 : 0};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('B'), &wired);
    avr_raise_irq(d8, (uint32_t)level);
}

/* --- line --------------------------------------------------------------------------------------------------------- */

static void from_board(uint8_t byte)
{
    if (transcript.file && transcript.count < sizeof transcript.bytes)
        transcript.bytes[transcript.count++] = byte;
    while (!ending) {
        struct pollfd look = {.fd = line.master, .events = POLLOUT};
        poll(&look, 1, 100);
        if (look.revents & POLLHUP)
            return; /* nobody has it open: a wire that ends in the air */
        if (look.revents & POLLOUT && write(line.master, &byte, 1) == 1)
            return;
    }
}

/* The transmitter: a register behind the one that shifts, ten bits a byte. The simulator has only one of them and takes
 * eleven bits, so that a byte that comes a little late costs line time that it does not cost a real one. */
static struct {
    avr_cycle_count_t byte_cycles;
    bool shifting, waiting;
    uint8_t shifted, next;
} sender;

static avr_cycle_count_t shifted_out(avr_t *mcu, avr_cycle_count_t when, void *unused)
{
    (void)unused;
    from_board(sender.shifted);
    if (!sender.waiting) {
        sender.shifting = false;
        return 0;
    }
    sender.shifted = sender.next;
    sender.waiting = false;
    mcu->data[UCSR0A] |= UDRE0;
    return when + sender.byte_cycles;
}

static void udr0_written(avr_t *mcu, avr_io_addr_t address, uint8_t value, void *unused)
{
    (void)address, (void)unused;
    if (!sender.shifting) {
        const unsigned ubrr = mcu->data[UBRR0L] | mcu->data[UBRR0L + 1] << 8;
        if (!sender.byte_cycles)
            sender.byte_cycles = 10u * (mcu->data[UCSR0A] & U2X0 ? 8 : 16) * (ubrr + 1);
        sender.shifted = value;
        sender.shifting = true;
        avr_cycle_timer_register(mcu, sender.byte_cycles, shifted_out, NULL);
    } else {
        sender.next = value; /* one that is still there is lost, as in the real one */
        sender.waiting = true;
        mcu->data[UCSR0A] &= (uint8_t)~UDRE0;
    }
}

static void may_send(avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)value, (void)unused;
    line.may_send = true;
}

static void may_not_send(avr_irq_t *irq, uint32_t value, void *unused)
{
    (void)irq, (void)value, (void)unused;
    line.may_send = false;
}

static void to_board(avr_irq_t *input)
{
    struct pollfd look = {.fd = line.master, .events = POLLIN};
    uint8_t byte;
    while (line.may_send && poll(&look, 1, 0) == 1 && look.revents & POLLIN && read(line.master, &byte, 1) == 1)
        avr_raise_irq(input, byte);
}

static void write_transcript(void)
{
    if (!transcript.count)
        return;
    fprintf(transcript.file, "%.9f ", seconds(avr->cycle));
    for (size_t i = 0; i < transcript.count; i++)
        fprintf(transcript.file, "%02x", transcript.bytes[i]);
    fputc('\n', transcript.file);
    transcript.count = 0;
}

static void mark(avr_t *mcu, avr_io_addr_t address, uint8_t value, void *unused)
{
    (void)unused;
    mcu->data[address] = value;
    if (marks.count < MOST_MARKS)
        marks.at[marks.count++] = mcu->cycle;
}

static void open_line(void)
{
    line.master = posix_openpt(O_RDWR | O_NOCTTY);
    if (line.master < 0 || grantpt(line.master) || unlockpt(line.master))
        fail("no pty");
    const char *path = ptsname(line.master);
    const int slave = open(path, O_RDWR | O_NOCTTY);
    struct termios raw;
    if (slave < 0 || tcgetattr(slave, &raw))
        fail("the pty cannot be opened");
    cfmakeraw(&raw);
    tcsetattr(slave, TCSANOW, &raw);
    close(slave); /* from now on a hang-up shows that nobody has it open */
    dprintf(results, "%s\n", path);
}

/* --- what is fed in ----------------------------------------------------------------------------------------------- */

static void map_volts(const char *path)
{
    const int file = open(path, O_RDONLY);
    struct stat about;
    if (file < 0 || fstat(file, &about))
        fail(path);
    volts.count = (size_t)about.st_size / (INPUTS * sizeof(float));
    volts.rows = mmap(NULL, (size_t)about.st_size, PROT_READ, MAP_PRIVATE, file, 0);
    if (volts.rows == MAP_FAILED)
        fail(path);
}

static void read_levels(const char *path)
{
    FILE *file = fopen(path, "r");
    if (!file)
        fail(path);
    size_t room = 0;
    double at;
    int level;
    while (fscanf(file, "%lf %d", &at, &level) == 2) {
        if (levels.count == room) {
            room = room ? 2 * room : 1024;
            levels.at = realloc(levels.at, room * sizeof *levels.at);
            levels.level = realloc(levels.level, room * sizeof *levels.level);
            if (!levels.at || !levels.level)
                fail("memory");
        }
        levels.at[levels.count] = at;
        levels.level[levels.count++] = level;
    }
    fclose(file);
}

static void end(int signal_number)
{
    (void)signal_number;
    ending = 1;
}

static void keep_pace(double pace, const struct timespec *began)
{
    struct timespec until = *began;
    const double due = seconds(avr->cycle) / pace;
    until.tv_sec += (time_t)due;
    until.tv_nsec += (long)((due - (double)(time_t)due) * 1e9);
    if (until.tv_nsec >= 1000000000L) {
        until.tv_nsec -= 1000000000L;
        until.tv_sec++;
    }
    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL);
}

static void never_sleep(avr_t *unused, avr_cycle_count_t how_long)
{
    (void)unused, (void)how_long;
}

int main(int argc, char **argv)
{
    double pace = 0.0, last_s = 1e18, reset_at = -1.0;
    unsigned long rest = 0;
    results = dup(STDOUT_FILENO);
    dup2(STDERR_FILENO, STDOUT_FILENO);
    if (argc < 2 || argc % 2)
        fail("usage: board FIRMWARE.elf [option value]... (see the top of board.c)");
    for (int i = 2; i < argc; i += 2) {
        const char *option = argv[i], *value = argv[i + 1];
        if (!strcmp(option, "--volts"))
            map_volts(value);
        else if (!strcmp(option, "--volts-rate"))
            volts.rate = atof(value);
        else if (!strcmp(option, "--levels"))
            read_levels(value);
        else if (!strcmp(option, "--play-from"))
            play.from_start = !strcmp(value, "start");
        else if (!strcmp(option, "--played"))
            play.tell_at = atof(value);
        else if (!strcmp(option, "--clock")) {
            double ppm = 0.0, drift = 0.0;
            if (sscanf(value, "%lf:%lf", &ppm, &drift) < 1)
                fail(value);
            crystal.fast = 1.0 + ppm / 1e6;
            crystal.drift = drift / 1e6;
        } else if (!strcmp(option, "--transcript")) {
            transcript.file = fopen(value, "w");
            if (!transcript.file)
                fail(value);
        } else if (!strcmp(option, "--pace"))
            pace = atof(value);
        else if (!strcmp(option, "--seconds"))
            last_s = atof(value);
        else if (!strcmp(option, "--reset-at"))
            reset_at = atof(value);
        else if (!strcmp(option, "--lose-triggers")) {
            const char *const list = strchr(value, ':');
            if (!list)
                fail(value);
            adc.lose_at = atof(value);
            adc.left = strtol(list + 1, (char **)&adc.then, 10);
        } else if (!strcmp(option, "--byte-cycles"))
            sender.byte_cycles = strtoul(value, NULL, 0);
        else if (!strcmp(option, "--rest"))
            rest = strtoul(value, NULL, 0);
        else
            fail(option);
    }

    if (play.from_start)
        play.begins = INFINITY;

    elf_firmware_t firmware = {0};
    if (elf_read_firmware(argv[1], &firmware))
        fail(argv[1]);
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr)
        fail("the simulator does not know the microcontroller");
    avr_init(avr);
    avr->log = LOG_NONE;
    firmware.frequency = CPU_HZ;
    firmware.vcc = firmware.avcc = firmware.aref = 5000;
    avr_load_firmware(avr, &firmware);
    avr->sleep = never_sleep;

    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_t *const uart = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), 0);
    avr_irq_register_notify(uart + UART_IRQ_OUT_XON, may_send, NULL);
    avr_irq_register_notify(uart + UART_IRQ_OUT_XOFF, may_not_send, NULL);
    avr->io[AVR_DATA_TO_IO(UDR0)].w.c = udr0_written;
    avr->io[AVR_DATA_TO_IO(OCR2B)].w.c = mark;
    for (avr_io_t *io = avr->io_port; io; io = io->next) {
        if (!strcmp(io->kind, "timer") && ((avr_timer_t *)io)->name == '1') {
            avr->io[AVR_DATA_TO_IO(TIFR1)].w.c = tifr1_written;
            avr->io[AVR_DATA_TO_IO(TIFR1)].w.param = io;
        }
    }

    avr_irq_t *const converter = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
    for (int i = 0; i < INPUTS; i++)
        adc.pin[i] = converter + ADC_IRQ_ADC0 + i;
    adc.in = converter + ADC_IRQ_IN_TRIGGER;
    avr_irq_register_notify(converter + ADC_IRQ_OUT_TRIGGER, converts, NULL);
    avr_irq_register_notify(avr_get_interrupt_irq(avr, TIMER0_COMPA) + AVR_INT_IRQ_PENDING, compare_flag, NULL);
    avr_irq_register_notify(avr_iomem_getirq(avr, TIFR0, NULL, AVR_IOMEM_IRQ_ALL), tifr0_written, NULL);
    tccr1b.write = avr->io[AVR_DATA_TO_IO(TCCR1B)].w.c;
    tccr1b.param = avr->io[AVR_DATA_TO_IO(TCCR1B)].w.param;
    avr->io[AVR_DATA_TO_IO(TCCR1B)].w.c = tccr1b_written;
    avr_irq_t *const d8 = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 0);
    drive_d8(d8, 0);

    open_line();
    signal(SIGTERM, end);
    signal(SIGINT, end);
    signal(SIGPIPE, SIG_IGN);
    struct timespec began;
    clock_gettime(CLOCK_MONOTONIC, &began);

    uint64_t visits = 0;
    avr_cycle_count_t look = 0;
    const char *ended = "told to";
    while (!ending) {
        while (levels.next < levels.count && seconds(avr->cycle) - play.begins >= levels.at[levels.next])
            drive_d8(d8, levels.level[levels.next++]);
        if (avr->cycle >= look) {
            look = avr->cycle + LOOK_EVERY;
            to_board(uart + UART_IRQ_INPUT);
            if (transcript.file)
                write_transcript();
            if (play.tell_at >= 0 && seconds(avr->cycle) - play.begins >= play.tell_at) {
                play.tell_at = -1.0;
                fprintf(stderr, "played\n");
            }
            if (pace > 0)
                keep_pace(pace, &began);
            if (seconds(avr->cycle) - play.begins >= last_s)
                break;
            if (reset_at >= 0 && seconds(avr->cycle) >= reset_at) {
                reset_at = -1.0;
                const avr_cycle_count_t now = avr->cycle;
                avr_reset(avr);
                avr->cycle = now;
                avr->data[MCUSR] = EXTRF;
                adc.flag = false;
                sender.shifting = sender.waiting = false;
                avr_cycle_timer_cancel(avr, shifted_out, NULL);
            }
        }
        if (rest && avr->pc == rest && seconds(avr->cycle) >= play.begins)
            visits++;
        const int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            ended = state == cpu_Done ? "the firmware stopped" : "the firmware crashed";
            break;
        }
    }
    if (transcript.file)
        fclose(transcript.file);
    fprintf(stderr,
            "{\"ended\": \"%s\", \"seconds\": %.6f, \"played_s\": %.6f, \"rest_visits\": %" PRIu64 ", \"conversions\": %" PRIu64
            ", \"triggers_missed\": %" PRIu64 ", \"triggers_kept_back\": %" PRIu64 ", \"marks\": [",
            ended, seconds(avr->cycle), fmax(0.0, seconds(avr->cycle) - play.begins), visits, adc.conversions, adc.missed, adc.kept_back);
    for (size_t i = 0; i < marks.count; i++)
        fprintf(stderr, "%s%" PRIu64, i ? ", " : "", marks.at[i]);
    fprintf(stderr, "]}\n");
    return !strcmp(ended, "the firmware crashed");
}
