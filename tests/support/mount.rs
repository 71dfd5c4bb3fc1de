//! A file system of its own for a test, which may be cut off, filled up or frozen.

use std::path::{Path, PathBuf};

/// A file system in a file, mounted for as long as this lives; only for root, and only where there are loop devices.
pub struct Mount {
    pub folder: PathBuf,
    image: PathBuf,
}

impl Mount {
    /// Makes one of so many mebibytes; `None`, with the reason printed, where that cannot be done.
    #[expect(clippy::print_stdout, reason = "a test says what it leaves out")]
    pub fn new(below: &Path, mebibytes: u64) -> Option<Self> {
        let (folder, image) = (below.join("mount"), below.join("image"));
        std::fs::create_dir(&folder).unwrap();
        std::fs::File::create(&image).unwrap().set_len(mebibytes << 20).unwrap();
        let made = command("mkfs.ext4", &["-q", "-b", "4096", &image.to_string_lossy()]);
        let mount = Mount { folder, image };
        match made.and_then(|()| mount.mount()) {
            Ok(()) => Some(mount),
            Err(why) => {
                println!("left out: no file system can be mounted from a file here: {why}");
                None
            }
        }
    }

    pub fn mount(&self) -> Result<(), String> {
        command("mount", &["-o", "loop", &self.image.to_string_lossy(), &self.folder.to_string_lossy()])
    }

    pub fn unmount(&self) -> Result<(), String> {
        command("umount", &[&self.folder.to_string_lossy()])
    }

    /// Stops every write to it for as long as the result lives.
    pub fn freeze(&self) -> Result<Frozen<'_>, String> {
        command("fsfreeze", &["--freeze", &self.folder.to_string_lossy()]).map(|()| Frozen(self))
    }

    /// Throws away everything that is not on the disk, as a power cut does: the file systems' shutdown request, without
    /// flushing the log (linux/fs.h and fs/ext4/ioctl.c: `EXT4_IOC_SHUTDOWN`, `_IOR('X', 125, __u32)`, value 2).
    pub fn cut_power(&self) -> Result<(), String> {
        let request = "import fcntl, os, struct, sys; f = os.open(sys.argv[1], os.O_RDONLY); \
                       fcntl.ioctl(f, 0x8004587D, struct.pack('I', 2))";
        command("python3", &["-c", request, &self.folder.to_string_lossy()])
    }
}

/// A file system that takes no writes; whoever writes to it hangs, and cannot even be killed.
pub struct Frozen<'a>(&'a Mount);

impl Drop for Frozen<'_> {
    fn drop(&mut self) {
        let _ = command("fsfreeze", &["--unfreeze", &self.0.folder.to_string_lossy()]);
    }
}

impl Drop for Mount {
    fn drop(&mut self) {
        let _ = self.unmount();
    }
}

/// Runs a program; what it said if it failed.
pub fn command(program: &str, arguments: &[&str]) -> Result<(), String> {
    let done = std::process::Command::new(program).args(arguments).output().map_err(|e| format!("{program}: {e}"))?;
    if done.status.success() {
        return Ok(());
    }
    Err(format!("{program}: {}", String::from_utf8_lossy(&done.stderr).trim()))
}
