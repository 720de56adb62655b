/* The driver's own log, as DRIVER_LOG.md has it: one JSON object a line, in the file when the call returns. Without
   --log nothing is kept. A full disk stops nothing. */
#define _POSIX_C_SOURCE 200809L
#include "driver.h"
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <unistd.h>

static int file = -1;

bool note_open(const char *path) {
    file = open(path, O_WRONLY | O_CREAT | O_APPEND, 0644);
    return file >= 0;
}

void note(const char *event, double now, const char *format, ...) {
    char line[1024];
    va_list words;
    if (file < 0) return;
    int length = snprintf(line, sizeof line, "{\"t\":%.6f,\"event\":\"%s\"%s", now, event, *format ? "," : "");
    va_start(words, format);
    int more = vsnprintf(line + length, sizeof line - (size_t)length - 2, format, words);
    va_end(words);
    if (more < 0 || (size_t)more >= sizeof line - (size_t)length - 2) return;
    length += more;
    line[length++] = '}', line[length++] = '\n';
    ssize_t written = write(file, line, (size_t)length);
    (void)written;
}

/* A number for the log; null where it is not known. */
static const char *known(char *text, size_t room, double number) {
    snprintf(text, room, isnan(number) ? "null" : "%.1f", number);
    return text;
}

const char *note_exits(void) {
    static char text[24];
    snprintf(text, sizeof text, d.board->exit_sensor ? "%ld" : "null", d.exit_count);
    return text;
}

/* The wheel fields of DRIVER_LOG.md: output, target in force, measured. */
static const char *wheels(const struct target *in_force) {
    static char text[400];
    int length = 0;
    for (int w = 0; w < 2; w++) {
        char target[24], seen[24];
        length += snprintf(text + length, sizeof text - (size_t)length,
            "%s\"%s_out_rpm\":%.1f,\"%s_target_rpm\":%s,\"%s_rpm\":%s", w ? "," : "", WHEEL[w], d.out_rpm[w], WHEEL[w],
            known(target, sizeof target, in_force ? in_force->rpm[w] : NAN), WHEEL[w],
            known(seen, sizeof seen, d.seen.rpm[w]));
    }
    return text;
}

void note_feed(const struct feed *f, const struct target *in_force, double now) {
    note("feed", now, "\"id\":%lld,\"planned_s\":%.6f,\"epoch\":%lld,%s", f->id, f->at_s, d.epoch, wheels(in_force));
}

void note_wheels(const struct target *in_force, double now) {
    static double due_s;
    if (now < due_s - 1e-4) return;
    due_s = fmax(due_s + 0.020, now);
    note("wheels", now, "%s", wheels(in_force));
}
