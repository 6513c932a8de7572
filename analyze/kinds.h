/* kinds: what can be noted of a coil, by the word a person types. */
#ifndef TRUEWOUND_KINDS_H
#define TRUEWOUND_KINDS_H

#include <stdbool.h>
#include <stddef.h>

struct kind {
    const char *word;      /* as typed and as the inference calls it: "wire-mass" */
    const char *quantity;  /* as the store calls it: "mass" */
    const char *dimension; /* SI unit it is read in; "N" takes a load too */
    const char *places;    /* where it can be, separated by spaces */
    const char *needs;     /* options without which it says nothing, for the error; or NULL */
    const char *example;
};

/* The kind of that word, or NULL. */
const struct kind *kinds_find(const char *word);

/* Number i, or NULL beyond the last. */
const struct kind *kinds_at(size_t i);

/* True when place is one of kind->places. */
bool kinds_place_fits(const struct kind *kind, const char *place);

/* "limb A", "limb B", "the pair", "winding to core", "the room" for a place word. */
const char *kinds_place_words(const char *place);

#endif
