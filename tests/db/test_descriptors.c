/* A program that was started with its standard descriptors closed. */
#include "scratch.h"

#include <errno.h>
#include <fcntl.h>
#include <sys/wait.h>

#include "db/descriptors.h"

/* 0 when a file opened after it is out of the way of what is printed; else what went wrong. */
static int try_without(int closed)
{
    char byte = 'x';
    int fd;

    for (int i = 0; i < 3; ++i)
        if (closed & 1 << i)
            close(i);
    descriptors_hold();
    fd = open("/dev/zero", O_RDWR);
    if (fd < 3)
        return 1;
    if ((closed & 1) && read(0, &byte, 1) != -1)
        return 2;
    for (int i = 1; i < 3; ++i)
        if ((closed & 1 << i) && (write(i, &byte, 1) != -1 || errno != EBADF))
            return 3;
    return 0;
}

static void closed_ones_are_held(void **state)
{
    (void)state;
    for (int closed = 0; closed < 8; ++closed) {
        pid_t child = fork();
        int status;

        if (child == 0)
            _exit(try_without(closed));
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_true(WIFEXITED(status));
        assert_int_equal(WEXITSTATUS(status), 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(closed_ones_are_held)};

    return cmocka_run_group_tests(tests, NULL, NULL);
}
