#include "db/descriptors.h"

#include <fcntl.h>
#include <unistd.h>

void descriptors_hold(void)
{
    for (int fd = STDIN_FILENO; fd <= STDERR_FILENO; ++fd)
        if (fcntl(fd, F_GETFD) < 0) /* the lowest free number is the one open() gives */
            (void)!open("/dev/null", fd == STDIN_FILENO ? O_WRONLY : O_RDONLY);
}
