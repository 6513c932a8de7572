/* descriptors: the numbers 0, 1 and 2 of a program. */
#ifndef TRUEWOUND_DESCRIPTORS_H
#define TRUEWOUND_DESCRIPTORS_H

/* To be called first in main. Where a program was started with its standard input, output or error
 * closed, the next file or port it opens would get that number, and what is printed would go into
 * it. Closed ones are taken by /dev/null, opened so that reading and printing still fail. */
void descriptors_hold(void);

#endif
