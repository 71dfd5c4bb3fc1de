//! What lies on the disk: the SQLite file, the lock and the ballast beside it, and what is done about a damaged file.

use std::ffi::OsString;
use std::fs::{self, File, TryLockError};
use std::io::{self, Read};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use tokio::task::spawn_blocking;

use super::JournalError;

/// Does what may have to wait for the disk in a thread of its own: the one that watches the table must not wait with it.
///
/// # Errors
/// [`JournalError::File`] while the program ends.
pub(super) async fn apart<T: Send + 'static>(
    path: &Path,
    work: impl FnOnce(&Path) -> T + Send + 'static,
) -> Result<T, JournalError> {
    let own = path.to_owned();
    spawn_blocking(move || work(&own)).await.map_err(|e| of(path, e.into()))
}

/// How a database begins: SQLite database file format, section 1.3.1.
const MAGIC: &[u8] = b"SQLite format 3\0";

/// What a file looks like from outside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Looks {
    /// Not there, or empty.
    New,
    /// A database.
    Database,
    /// No database.
    Garbage,
}

/// Looks at how a file begins, changing nothing.
pub(super) fn look(path: &Path) -> Result<Looks, JournalError> {
    let mut beginning = Vec::new();
    match File::open(path) {
        Ok(file) => file.take(MAGIC.len() as u64).read_to_end(&mut beginning).map_err(|e| of(path, e))?,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Looks::New),
        Err(e) => return Err(of(path, e)),
    };
    Ok(match beginning.as_slice() {
        [] => Looks::New,
        MAGIC => Looks::Database,
        _ => Looks::Garbage,
    })
}

/// A path beside the journal, such as `journal.db.lock`.
pub(super) fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = OsString::from(path);
    name.push(suffix);
    PathBuf::from(name)
}

/// Keeps others from writing as long as it lives; the operating system lets go of it whatever becomes of the process.
#[derive(Debug)]
pub(super) struct Lock {
    _held: File,
}

impl Lock {
    /// Takes the lock.
    pub(super) fn take(path: &Path) -> Result<Self, JournalError> {
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            fs::create_dir_all(folder).map_err(|e| of(folder, e))?;
        }
        let beside = beside(path, ".lock");
        let file =
            File::options().write(true).create(true).truncate(false).open(&beside).map_err(|e| of(&beside, e))?;
        match file.try_lock() {
            Ok(()) => Ok(Lock { _held: file }),
            Err(TryLockError::WouldBlock) => Err(JournalError::InUse(path.display().to_string())),
            Err(TryLockError::Error(e)) => Err(of(&beside, e)),
        }
    }
}

/// Space kept back, so that a commit can still be finished when the disk is full.
#[derive(Clone, Debug)]
pub(super) struct Ballast {
    path: PathBuf,
}

impl Ballast {
    const BYTES: u64 = 4 << 20;

    /// The ballast of a journal, not yet taken aboard.
    pub(super) fn of(journal: &Path) -> Self {
        Ballast { path: beside(journal, ".ballast") }
    }

    /// Whether it lies there.
    pub(super) fn is_aboard(&self) -> bool {
        fs::metadata(&self.path).is_ok_and(|m| m.len() == Self::BYTES)
    }

    /// Takes it aboard if as much again stays free; whether it is aboard now.
    pub(super) fn take_aboard(&self) -> bool {
        self.is_aboard() || (self.has_room() && self.fill().is_ok()) || {
            self.drop_it();
            false
        }
    }

    /// Drops it, which frees its space.
    pub(super) fn drop_it(&self) {
        // It may not be there, and nothing else could be done about a disk that is full.
        let _ = fs::remove_file(&self.path);
    }

    fn has_room(&self) -> bool {
        let folder = self.path.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
        rustix::fs::statvfs(folder).is_ok_and(|disk| disk.f_bavail.saturating_mul(disk.f_frsize) >= 2 * Self::BYTES)
    }

    fn fill(&self) -> io::Result<()> {
        let file = File::create(&self.path)?;
        if rustix::fs::fallocate(&file, rustix::fs::FallocateFlags::empty(), 0, Self::BYTES).is_err() {
            io::copy(&mut io::repeat(0).take(Self::BYTES), &mut &file)?;
        }
        file.sync_all()
    }
}

/// Which file lies at a path, by its device and number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Identity(u64, u64);

/// The identity of the file at a path; `None` if there is none.
pub(super) fn identity(path: &Path) -> Option<Identity> {
    fs::metadata(path).ok().map(|m| Identity(m.dev(), m.ino()))
}

/// Moves a damaged journal and its log aside, under the first free number, and says where the file lies now.
pub(super) fn move_aside(path: &Path) -> Result<PathBuf, JournalError> {
    let free = (1..).map(|number: u32| beside(path, &format!(".damaged-{number}"))).find(|aside| !aside.exists());
    let aside = free.unwrap_or_else(|| beside(path, ".damaged"));
    fs::rename(path, &aside).map_err(|e| of(path, e))?;
    for suffix in ["-wal", "-shm"] {
        match fs::rename(beside(path, suffix), beside(&aside, suffix)) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(of(path, e)),
            Ok(()) | Err(_) => {}
        }
    }
    Ok(aside)
}

/// Puts the newest copy in the place of the journal; whether there was one.
pub(super) fn restore_copy(path: &Path) -> Result<bool, JournalError> {
    let copy = beside(path, ".copy");
    if !copy.exists() {
        return Ok(false);
    }
    let half = beside(path, ".half");
    fs::copy(&copy, &half).map_err(|e| of(&copy, e))?;
    put_in_place(&half, path)?;
    Ok(true)
}

/// Renames a finished file over another so that a power cut leaves one of the two.
pub(super) fn put_in_place(finished: &Path, path: &Path) -> Result<(), JournalError> {
    let all = || {
        File::open(finished)?.sync_all()?;
        fs::rename(finished, path)?;
        let folder = path.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
        File::open(folder)?.sync_all()
    };
    all().map_err(|e| of(path, e))
}

/// Removes a file that need not be there.
pub(super) fn remove(path: &Path) -> Result<(), JournalError> {
    match fs::remove_file(path) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(of(path, e)),
        Ok(()) | Err(_) => Ok(()),
    }
}

fn of(path: &Path, source: io::Error) -> JournalError {
    JournalError::File { path: path.to_owned(), source }
}
