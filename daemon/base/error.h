/* Errors as values: a kind for the program (exit status, RPC code), a sentence for the person. */
#ifndef BRUNT_BASE_ERROR_H
#define BRUNT_BASE_ERROR_H

enum error_kind {
    ERROR_NONE,
    ERROR_USAGE,      /* the command line is wrong */
    ERROR_FILE,       /* a file says something that can't be */
    ERROR_RATING,     /* what is asked exceeds a rating */
    ERROR_RANGE,      /* a number outside its domain */
    ERROR_MEMORY,     /* allocation failed */
    ERROR_SYSTEM,     /* the operating system refused; errno's text is in the sentence */
    ERROR_LINK,       /* a line could not be opened, or was lost */
    ERROR_INSTRUMENT, /* an instrument answered wrongly or not at all */
    ERROR_REFUSED,    /* the daemon won't: state, permission, rule */
    ERROR_BUSY,       /* somebody else has it */
    ERROR_STORAGE,    /* the record can't be written or read */
    ERROR_PROTOCOL,   /* a message nobody understands */
    ERROR_KINDS
};

struct error {
    enum error_kind kind;
    char text[600]; /* one sentence; cut, never overrun */
};

#define ERROR_INIT {ERROR_NONE, ""}

/* Sets *err (NULL is fine: the caller doesn't want to know) and returns -1, so that `return error_set(...)` reads well. */
int error_set(struct error *err, enum error_kind kind, const char *format, ...) __attribute__((format(printf, 3, 4)));

/* Like error_set() with ": " and the text of errno_value behind. */
int error_errno(struct error *err, enum error_kind kind, int errno_value, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

/* Puts "context: " before the sentence of a failure that a lower layer reported. Returns -1. */
int error_prefix(struct error *err, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Stable word for a kind ("rating", "link" ...), for JSON and the record. Never NULL. */
const char *error_kind_name(enum error_kind kind);

/* The kind of that name; ERROR_NONE if there is none. */
enum error_kind error_kind_of(const char *name);

#endif
