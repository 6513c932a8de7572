/* faulty_vfs: an SQLite file layer that passes everything on to the real one and can be told to
 * fail: the Nth write, sync, truncate or growth of shared memory, once or from then on. Becomes
 * the default layer of the process, so the program under test is not changed at all. */
#ifndef TRUEWOUND_TEST_FAULTY_VFS_H
#define TRUEWOUND_TEST_FAULTY_VFS_H

#include <sqlite3.h>
#include <stdbool.h>

struct faulty_vfs {
    sqlite3_vfs vfs;
    sqlite3_vfs *real;
    long calls;   /* changing calls so far */
    long fail_at; /* the call that fails, from 1; 0 none */
    bool lasting; /* all from there on fail */
    int rc;       /* what they fail with */
    long failed;  /* how many did */
};

struct faulty_file {
    sqlite3_file base;
    struct faulty_vfs *owner;
    sqlite3_file *real;
};

static inline bool faulty_now(struct faulty_vfs *v)
{
    v->calls++;
    if (v->fail_at && (v->lasting ? v->calls >= v->fail_at : v->calls == v->fail_at)) {
        v->failed++;
        return true;
    }
    return false;
}

#define REAL(f)  (((struct faulty_file *)(f))->real)
#define OWNER(f) (((struct faulty_file *)(f))->owner)

static int faulty_close(sqlite3_file *f)
{
    int rc = REAL(f)->pMethods ? REAL(f)->pMethods->xClose(REAL(f)) : SQLITE_OK;

    sqlite3_free(REAL(f));
    return rc;
}

static int faulty_read(sqlite3_file *f, void *p, int n, sqlite3_int64 at)
{
    return REAL(f)->pMethods->xRead(REAL(f), p, n, at);
}

static int faulty_write(sqlite3_file *f, const void *p, int n, sqlite3_int64 at)
{
    if (faulty_now(OWNER(f))) {
        /* Half of it reaches the disk, as when power or room ends in the middle. */
        REAL(f)->pMethods->xWrite(REAL(f), p, n / 2, at);
        return OWNER(f)->rc;
    }
    return REAL(f)->pMethods->xWrite(REAL(f), p, n, at);
}

static int faulty_truncate(sqlite3_file *f, sqlite3_int64 size)
{
    if (faulty_now(OWNER(f)))
        return OWNER(f)->rc == SQLITE_FULL ? SQLITE_FULL : SQLITE_IOERR_TRUNCATE;
    return REAL(f)->pMethods->xTruncate(REAL(f), size);
}

static int faulty_sync(sqlite3_file *f, int flags)
{
    if (faulty_now(OWNER(f)))
        return OWNER(f)->rc == SQLITE_FULL ? SQLITE_FULL : SQLITE_IOERR_FSYNC;
    return REAL(f)->pMethods->xSync(REAL(f), flags);
}

static int faulty_size(sqlite3_file *f, sqlite3_int64 *size)
{
    return REAL(f)->pMethods->xFileSize(REAL(f), size);
}

static int faulty_lock(sqlite3_file *f, int lock)
{
    return REAL(f)->pMethods->xLock(REAL(f), lock);
}

static int faulty_unlock(sqlite3_file *f, int lock)
{
    return REAL(f)->pMethods->xUnlock(REAL(f), lock);
}

static int faulty_check_lock(sqlite3_file *f, int *out)
{
    return REAL(f)->pMethods->xCheckReservedLock(REAL(f), out);
}

static int faulty_control(sqlite3_file *f, int op, void *arg)
{
    return REAL(f)->pMethods->xFileControl(REAL(f), op, arg);
}

static int faulty_sector(sqlite3_file *f)
{
    return REAL(f)->pMethods->xSectorSize(REAL(f));
}

static int faulty_device(sqlite3_file *f)
{
    return REAL(f)->pMethods->xDeviceCharacteristics(REAL(f));
}

static int faulty_shm_map(sqlite3_file *f, int page, int size, int extend, void volatile **p)
{
    if (extend && faulty_now(OWNER(f)))
        return OWNER(f)->rc == SQLITE_FULL ? SQLITE_FULL : SQLITE_IOERR_SHMSIZE;
    return REAL(f)->pMethods->xShmMap(REAL(f), page, size, extend, p);
}

static int faulty_shm_lock(sqlite3_file *f, int offset, int n, int flags)
{
    return REAL(f)->pMethods->xShmLock(REAL(f), offset, n, flags);
}

static void faulty_shm_barrier(sqlite3_file *f)
{
    REAL(f)->pMethods->xShmBarrier(REAL(f));
}

static int faulty_shm_unmap(sqlite3_file *f, int remove)
{
    return REAL(f)->pMethods->xShmUnmap(REAL(f), remove);
}

static int faulty_open(sqlite3_vfs *vfs, const char *name, sqlite3_file *f, int flags, int *out)
{
    static const sqlite3_io_methods methods = {
        .iVersion = 2,
        .xClose = faulty_close,
        .xRead = faulty_read,
        .xWrite = faulty_write,
        .xTruncate = faulty_truncate,
        .xSync = faulty_sync,
        .xFileSize = faulty_size,
        .xLock = faulty_lock,
        .xUnlock = faulty_unlock,
        .xCheckReservedLock = faulty_check_lock,
        .xFileControl = faulty_control,
        .xSectorSize = faulty_sector,
        .xDeviceCharacteristics = faulty_device,
        .xShmMap = faulty_shm_map,
        .xShmLock = faulty_shm_lock,
        .xShmBarrier = faulty_shm_barrier,
        .xShmUnmap = faulty_shm_unmap,
    };
    struct faulty_vfs *v = (struct faulty_vfs *)vfs;
    struct faulty_file *file = (struct faulty_file *)f;
    int rc;

    file->base.pMethods = NULL;
    file->owner = v;
    file->real = sqlite3_malloc(v->real->szOsFile);
    if (!file->real)
        return SQLITE_NOMEM;
    rc = v->real->xOpen(v->real, name, file->real, flags, out);
    if (rc != SQLITE_OK)
        sqlite3_free(file->real);
    else
        file->base.pMethods = &methods;
    return rc;
}

/* The other methods of the layer take no file and serve for both. */
static inline void faulty_vfs_install(struct faulty_vfs *v)
{
    v->real = sqlite3_vfs_find(NULL);
    v->vfs = *v->real;
    v->vfs.pNext = NULL;
    v->vfs.zName = "faulty";
    v->vfs.szOsFile = (int)sizeof(struct faulty_file);
    v->vfs.xOpen = faulty_open;
    v->calls = v->fail_at = v->failed = 0;
    v->lasting = false;
    sqlite3_vfs_register(&v->vfs, 1);
}

static inline void faulty_vfs_remove(struct faulty_vfs *v)
{
    sqlite3_vfs_unregister(&v->vfs);
    sqlite3_vfs_register(v->real, 1);
}

#undef REAL
#undef OWNER
#endif
