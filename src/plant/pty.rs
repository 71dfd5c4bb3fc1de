//! A pseudo-terminal under a name of our choice.
//!
//! Three things about pseudo-terminals shape this: one whose other end is not raw echoes and edits what passes; one whose
//! other end nobody holds fails its reads; and none keeps to a baud rate.

use std::fs;
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::OFlags;
use rustix::io::ioctl_fionread;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, QueueSelector, tcflush, tcgetattr, tcsetattr};

use super::server::ServerError;

/// A pseudo-terminal with a symbolic link to its far end; both go when it is dropped.
#[derive(Debug)]
pub(super) struct Pty {
    near: OwnedFd,
    /// Held so that reads do not fail while nobody else has it open.
    far: OwnedFd,
    far_path: PathBuf,
    link: PathBuf,
}

/// More unread bytes than a reader leaves that is there.
const UNREAD: u64 = 1024;

impl Pty {
    /// Opens one and makes `link` point to its far end, in the place of a link to a pseudo-terminal but of nothing else.
    pub(super) fn open(link: &Path) -> Result<Self, ServerError> {
        let failed = |source: rustix::io::Errno| ServerError::Terminal(source.into());
        let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).map_err(failed)?;
        grantpt(&near).map_err(failed)?;
        unlockpt(&near).map_err(failed)?;
        let name = ptsname(&near, Vec::new()).map_err(failed)?;
        let far_path = PathBuf::from(name.to_string_lossy().into_owned());
        let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC;
        let far = rustix::fs::open(&far_path, flags, rustix::fs::Mode::empty()).map_err(failed)?;
        let mut modes = tcgetattr(&far).map_err(failed)?;
        modes.make_raw();
        tcsetattr(&far, OptionalActions::Now, &modes).map_err(failed)?;
        let blocking = rustix::fs::fcntl_getfl(&near).map_err(failed)?;
        rustix::fs::fcntl_setfl(&near, blocking | OFlags::NONBLOCK).map_err(failed)?;
        point(link, &far_path)?;
        Ok(Pty { near, far, far_path, link: link.to_owned() })
    }

    /// Waits until there is something to read, or for so long.
    pub(super) fn wait(&self, limit: Timespec) -> Result<(), ServerError> {
        wait_on(self.near.as_fd(), limit)
    }

    /// What has come since, at most `most` bytes.
    pub(super) fn read(&self, most: usize) -> Result<Vec<u8>, ServerError> {
        let mut bytes = vec![0; most];
        match rustix::io::read(&self.near, &mut bytes[..]) {
            Ok(count) => {
                bytes.truncate(count);
                Ok(bytes)
            }
            Err(rustix::io::Errno::AGAIN | rustix::io::Errno::INTR) => Ok(Vec::new()),
            Err(source) => Err(ServerError::Terminal(source.into())),
        }
    }

    /// Sends bytes; those that nobody reads are lost, as on a wire, so that whoever opens the far end reads no old ones.
    pub(super) fn write(&self, bytes: &[u8]) -> Result<(), ServerError> {
        if ioctl_fionread(&self.far).unwrap_or(0) > UNREAD {
            tcflush(&self.far, QueueSelector::IFlush).map_err(|source| ServerError::Terminal(source.into()))?;
        }
        match rustix::io::write(&self.near, bytes) {
            Ok(_) | Err(rustix::io::Errno::AGAIN | rustix::io::Errno::INTR) => Ok(()),
            Err(source) => Err(ServerError::Terminal(source.into())),
        }
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        if fs::read_link(&self.link).is_ok_and(|target| target == self.far_path) {
            // A link that cannot be removed is replaced at the next start.
            let _ = fs::remove_file(&self.link);
        }
    }
}

/// Waits for so long.
pub(super) fn rest(limit: Timespec) -> Result<(), ServerError> {
    answered(poll(&mut [], Some(&limit)))
}

fn wait_on(end: BorrowedFd<'_>, limit: Timespec) -> Result<(), ServerError> {
    answered(poll(&mut [PollFd::new(&end, PollFlags::IN)], Some(&limit)))
}

fn answered(polled: rustix::io::Result<usize>) -> Result<(), ServerError> {
    match polled {
        Ok(_) | Err(rustix::io::Errno::INTR) => Ok(()),
        Err(source) => Err(ServerError::Terminal(source.into())),
    }
}

/// Makes `link` point to `target`.
fn point(link: &Path, target: &Path) -> Result<(), ServerError> {
    let failed = |source: io::Error| ServerError::Link { path: link.to_owned(), source };
    match fs::symlink_metadata(link) {
        Ok(found) if found.is_symlink() && leads_to_terminal(link) => fs::remove_file(link).map_err(failed)?,
        Ok(_) => return Err(ServerError::Occupied(link.to_owned())),
        Err(missing) if missing.kind() == io::ErrorKind::NotFound => {}
        Err(source) => return Err(failed(source)),
    }
    symlink(target, link).map_err(failed)
}

fn leads_to_terminal(link: &Path) -> bool {
    fs::read_link(link).is_ok_and(|target| target.starts_with("/dev/pts"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs::{File, OpenOptions};
    use std::io::{Read, Write};

    const SOON: Timespec = Timespec { tv_sec: 1, tv_nsec: 0 };

    fn open_far(link: &Path) -> File {
        OpenOptions::new().read(true).write(true).open(link).unwrap()
    }

    #[test]
    fn every_byte_passes_unchanged_and_nothing_is_echoed() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("gauge");
        let pty = Pty::open(&link).unwrap();
        let mut far = open_far(&link);
        let all: Vec<u8> = (0..=255).collect();

        pty.write(&all).unwrap();
        let mut come = vec![0; all.len()];
        far.read_exact(&mut come).unwrap();
        assert_eq!(come, all);

        far.write_all(&all).unwrap();
        let mut heard = Vec::new();
        while heard.len() < all.len() {
            pty.wait(SOON).unwrap();
            let more = pty.read(4096).unwrap();
            assert!(!more.is_empty(), "only {} bytes came", heard.len());
            heard.extend(more);
        }
        assert_eq!(heard, all);
    }

    #[test]
    fn nothing_fails_while_nobody_has_the_far_end_open() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("gauge");
        let pty = Pty::open(&link).unwrap();
        drop(open_far(&link));
        assert_eq!(pty.read(16).unwrap(), b"");
        for _ in 0..1000 {
            pty.write(&[7; 64]).unwrap();
        }
        let mut far = open_far(&link);
        let mut come = Vec::new();
        while !come.ends_with(b"new") {
            pty.write(b"new").unwrap();
            wait_on(far.as_fd(), SOON).unwrap();
            let mut more = [0; 16_384];
            let count = far.read(&mut more).unwrap();
            come.extend_from_slice(&more[..count]);
            assert!(come.len() < 64_000, "every old byte is still there");
        }
    }

    #[test]
    fn a_dead_link_is_replaced_and_a_file_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("gauge");
        symlink("/dev/pts/999999", &link).unwrap();
        drop(Pty::open(&link).unwrap());
        assert!(fs::symlink_metadata(&link).is_err(), "the link outlives its terminal");

        fs::write(&link, "a survey").unwrap();
        assert!(matches!(Pty::open(&link), Err(ServerError::Occupied(_))));
        assert_eq!(fs::read_to_string(&link).unwrap(), "a survey");

        fs::remove_file(&link).unwrap();
        symlink(folder.path(), &link).unwrap();
        assert!(matches!(Pty::open(&link), Err(ServerError::Occupied(_))));
    }

    #[test]
    fn a_link_that_another_has_taken_over_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("gauge");
        let first = Pty::open(&link).unwrap();
        let second = Pty::open(&link).unwrap();
        drop(first);
        assert_eq!(fs::read_link(&link).unwrap(), second.far_path);
    }
}
