/* A JSON reader without allocation: one pass over the text into a flat list of values, children right after parents. */
#ifndef JSON_H
#define JSON_H
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

enum { JSON_VALUES = 400, JSON_DEPTH = 12 };
enum json_kind { J_NULL, J_TRUE, J_FALSE, J_NUMBER, J_STRING, J_LIST, J_OBJECT };
struct json_value { enum json_kind kind; const char *text, *key; int length, key_length, after; };
struct json { const char *at, *end; int count; struct json_value value[JSON_VALUES]; };

static inline void json_blank(struct json *j) {
    while (j->at < j->end && strchr(" \t\r\n", *j->at) && *j->at) j->at++;
}

static inline bool json_take(struct json *j, const char *word) {
    size_t n = strlen(word);
    if ((size_t)(j->end - j->at) < n || memcmp(j->at, word, n)) return false;
    j->at += n;
    return true;
}

/* From after the opening quote to before the closing one, escapes left as they are; false where it is no string. */
static inline bool json_string(struct json *j, const char **text, int *length) {
    *text = j->at;
    for (; j->at < j->end && *j->at != '"'; j->at++) {
        unsigned char c = (unsigned char)*j->at;
        if (c < 0x20) return false;
        if (c == '\\') {
            if (++j->at >= j->end || !*j->at || !strchr("\"\\/bfnrtu", *j->at)) return false;
        } else if (c >= 0x80) { /* UTF-8: a head byte and the tail bytes that it announces */
            int tail = c >= 0xF0 && c < 0xF5 ? 3 : c >= 0xE0 && c < 0xF0 ? 2 : c >= 0xC2 && c < 0xE0 ? 1 : 0;
            if (!tail || j->end - j->at <= tail) return false;
            while (tail--) if (((unsigned char)*++j->at & 0xC0) != 0x80) return false;
        }
    }
    *length = (int)(j->at - *text);
    return json_take(j, "\"");
}

static inline int json_digits(struct json *j) {
    int n = 0;
    for (; j->at < j->end && *j->at >= '0' && *j->at <= '9'; j->at++) n++;
    return n;
}

static inline bool json_number(struct json *j) {
    json_take(j, "-");
    if (!json_take(j, "0") && !json_digits(j)) return false;
    if (json_take(j, ".") && !json_digits(j)) return false;
    if (!json_take(j, "e") && !json_take(j, "E")) return true;
    if (!json_take(j, "+")) json_take(j, "-");
    return json_digits(j) > 0;
}

static inline bool json_read(struct json *j, int depth) {
    json_blank(j);
    if (depth > JSON_DEPTH || j->count >= JSON_VALUES || j->at >= j->end) return false;
    struct json_value *v = &j->value[j->count++];
    v->text = j->at;
    bool good = true;
    if (json_take(j, "null")) v->kind = J_NULL;
    else if (json_take(j, "true")) v->kind = J_TRUE;
    else if (json_take(j, "false")) v->kind = J_FALSE;
    else if (json_take(j, "\"")) v->kind = J_STRING, good = json_string(j, &v->text, &v->length);
    else if (*j->at == '{' || *j->at == '[') {
        char close = *j->at++ == '{' ? '}' : ']';
        v->kind = close == '}' ? J_OBJECT : J_LIST;
        json_blank(j);
        bool more = !(j->at < j->end && *j->at == close);
        if (!more) j->at++;
        while (more) {
            const char *key = NULL;
            int length = 0, child = j->count;
            json_blank(j);
            if (close == '}') {
                if (!json_take(j, "\"") || !json_string(j, &key, &length)) return false;
                json_blank(j);
                if (!json_take(j, ":")) return false;
            }
            if (!json_read(j, depth + 1)) return false;
            j->value[child].key = key, j->value[child].key_length = length;
            json_blank(j);
            if (j->at >= j->end || (*j->at != ',' && *j->at != close)) return false;
            more = *j->at++ == ',';
        }
    } else v->kind = J_NUMBER, good = json_number(j), v->length = (int)(j->at - v->text);
    v->after = j->count;
    return good;
}

/* The index of a member of object `of`; -1 where it is absent or null. */
static inline int json_get(const struct json *j, int of, const char *key) {
    if (of < 0 || j->value[of].kind != J_OBJECT) return -1;
    for (int i = of + 1; i < j->value[of].after; i = j->value[i].after)
        if ((size_t)j->value[i].key_length == strlen(key) && !memcmp(j->value[i].key, key, strlen(key)))
            return j->value[i].kind == J_NULL ? -1 : i;
    return -1;
}

/* A member as a finite number; NaN where it is none. */
static inline double json_double(const struct json *j, int of, const char *key) {
    int i = json_get(j, of, key);
    char digits[64];
    if (i < 0 || j->value[i].kind != J_NUMBER || j->value[i].length >= (int)sizeof digits) return NAN;
    memcpy(digits, j->value[i].text, (size_t)j->value[i].length);
    digits[j->value[i].length] = 0;
    double number = strtod(digits, NULL);
    return isfinite(number) ? number : NAN;
}

/* A member as a whole number from 0 to 2^53; -1 where it is none. */
static inline long long json_count(const struct json *j, int of, const char *key) {
    int i = json_get(j, of, key);
    double number = json_double(j, of, key);
    if (!(number >= 0 && number <= 9007199254740992.0)) return -1;
    for (int n = 0; n < j->value[i].length; n++) if (strchr(".eE-", j->value[i].text[n])) return -1;
    return (long long)number;
}
#endif
