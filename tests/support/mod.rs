//! What several tests need: pseudo-terminals, the program as a child process, and its page asked over HTTP.
#![allow(dead_code, reason = "each test file uses its own part of this")]

pub mod mount;
pub mod peer;
pub mod relay;
pub mod shop;
pub mod units;

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use rustix::fs::{Mode, OFlags, open};
use rustix::io::{FdFlags, fcntl_setfd};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use serde_json::Value;

/// Says which check could not be run and why; fails instead where everything is said to be there.
pub fn could_not_run(check: &str, why: &str) {
    assert!(std::env::var_os("HOLDWATCH_TEST_ALL").is_none(), "{check}: {why}");
    eprintln!("COULD NOT RUN {check}: {why}");
}

/// A pseudo-terminal: the near end is the device's, the far end is opened by the program through `link`.
pub struct Pty {
    /// The device's end.
    pub near: OwnedFd,
    /// Keeps the far end open and raw between two openings by the program.
    far: OwnedFd,
    /// The far end's path.
    pub path: String,
    link: Option<PathBuf>,
}

impl Pty {
    /// A new pseudo-terminal that `link` points to.
    pub fn new(link: &Path) -> Self {
        let mut pty = Pty::unlinked();
        let _ = std::fs::remove_file(link);
        std::os::unix::fs::symlink(&pty.path, link).unwrap();
        pty.link = Some(link.to_owned());
        pty
    }

    /// A new pseudo-terminal that is opened by its path.
    pub fn unlinked() -> Self {
        let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&near).unwrap();
        unlockpt(&near).unwrap();
        // A child must not keep the device alive.
        fcntl_setfd(&near, FdFlags::CLOEXEC).unwrap();
        let name = ptsname(&near, Vec::new()).unwrap();
        let far = open(name.as_c_str(), OFlags::RDWR | OFlags::NOCTTY | OFlags::CLOEXEC, Mode::empty()).unwrap();
        let mut settings = tcgetattr(&far).unwrap();
        settings.make_raw();
        tcsetattr(&far, OptionalActions::Now, &settings).unwrap();
        Pty { near, far, path: name.into_string().unwrap(), link: None }
    }

    /// The device hangs up: its end is closed, the far one and the link stay as they are.
    pub fn hang_up(&mut self) {
        self.near = File::open("/dev/null").unwrap().into();
    }

    /// The device's end as a file to read and write.
    pub fn device(&self) -> File {
        File::from(self.near.try_clone().unwrap())
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        if let Some(link) = &self.link {
            let _ = std::fs::remove_file(link);
        }
    }
}

/// The program as a child process with its page.
pub struct Watched {
    child: Child,
    /// The page's address, such as `http://127.0.0.1:40123`.
    pub page: String,
}

impl Watched {
    /// Starts the program with these arguments and waits for the address that it prints.
    pub fn start(arguments: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_holdwatch"))
            .args(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap());
        let page = loop {
            let mut line = String::new();
            assert_ne!(said.read_line(&mut line).unwrap(), 0, "the program ended before it served a page");
            if let Some((_, address)) = line.split_once("http://") {
                break format!("http://{}", address.trim().trim_end_matches('/'));
            }
        };
        thread::spawn(move || said.lines().for_each(drop));
        Watched { child, page }
    }

    /// Starts `run` with a setup.
    pub fn run(setup: &Path) -> Self {
        Watched::start(&["run", "--setup", setup.to_str().unwrap()])
    }

    /// The process's number.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// The newest view.
    pub fn now(&self) -> Value {
        self.get("/api/v1/now")
    }

    /// What a GET answers, as JSON.
    pub fn get(&self, path: &str) -> Value {
        let text = client().get(format!("{}{path}", self.page)).call().unwrap().body_mut().read_to_string().unwrap();
        serde_json::from_str(&text).unwrap()
    }

    /// What a GET answers, as text.
    pub fn text(&self, path: &str) -> String {
        client().get(format!("{}{path}", self.page)).call().unwrap().body_mut().read_to_string().unwrap()
    }

    /// Posts JSON; the status and the answer.
    pub fn post(&self, path: &str, body: &Value) -> (u16, String) {
        let mut answer = client()
            .post(format!("{}{path}", self.page))
            .header("Content-Type", "application/json")
            .send(body.to_string())
            .unwrap();
        (answer.status().as_u16(), answer.body_mut().read_to_string().unwrap())
    }

    /// Waits until a view is as wanted, and gives it; fails with the last view after `limit`.
    pub fn wait_for(&self, what: &str, limit: Duration, wanted: impl Fn(&Value) -> bool) -> Value {
        let begun = Instant::now();
        loop {
            let view = self.now();
            if wanted(&view) {
                return view;
            }
            assert!(begun.elapsed() < limit, "{what} did not come within {limit:?}; last view: {view:#}");
            // A page answers 20 requests a second to one address.
            thread::sleep(Duration::from_millis(60));
        }
    }

    /// Sends a signal by its name.
    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill").arg(format!("-{name}")).arg(self.pid().to_string()).status().unwrap();
        assert!(sent.success());
    }

    /// Ends the program as a service manager does, and gives its exit code.
    pub fn stop(mut self) -> Option<i32> {
        self.signal("TERM");
        self.child.wait().unwrap().code()
    }

    /// Ends the program at once.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Watched {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn client() -> ureq::Agent {
    ureq::Agent::config_builder()
        .timeout_global(Some(Duration::from_secs(10)))
        .http_status_as_error(false)
        .build()
        .new_agent()
}

/// An address of this computer for a page, on a port that is free.
pub fn free_page() -> String {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string()
}

/// Processor seconds that a process has used.
pub fn cpu_seconds(pid: u32) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let after = stat.rsplit_once(") ").unwrap().1;
    let fields: Vec<&str> = after.split(' ').collect();
    let ticks: f64 = fields[11].parse::<f64>().unwrap() + fields[12].parse::<f64>().unwrap();
    ticks / 100.0
}

/// A figure of `/proc/PID/status` in KiB.
pub fn memory_kib(pid: u32, name: &str) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with(name)).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}
