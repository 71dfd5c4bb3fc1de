//! Ten minutes of the demo, played again from the kept state, order the same actions to the byte.

mod support;

use std::process::Command;
use std::thread;
use std::time::Duration;

use holdwatch::moment::Utc;
use serde_json::Value;
use support::Watched;

#[test]
fn ten_minutes_of_the_demo_replay_to_the_byte() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().to_str().unwrap();
    let watched = Watched::start(&[
        "--log-level",
        "warn",
        "demo",
        "--scene",
        "shift",
        "--pace",
        "30",
        "--port",
        "0",
        "--data",
        data,
    ]);
    watched.wait_for("ten minutes", Duration::from_secs(60), |view| view["watching_s"].as_f64().unwrap() > 620.0);
    assert_eq!(watched.stop(), Some(0));
    thread::sleep(Duration::from_millis(100));

    let played = Command::new(env!("CARGO_BIN_EXE_holdwatch"))
        .args(["replay", folder.path().join("holdwatch.db").to_str().unwrap(), "--json"])
        .output()
        .unwrap();
    let said: Value = serde_json::from_slice(&played.stdout).unwrap();
    assert_eq!(said["pieces_different"].as_array().unwrap().len(), 0, "{said:#}");
    assert_eq!(said["holes"], 0, "{said:#}");
    let at = |end: &str| Utc::parse_rfc3339(said[end].as_str().unwrap()).unwrap().micros();
    assert!(at("to") - at("from") >= 600_000_000, "{said:#}");
    // A piece is written about every five seconds of the program's own time. Even a computer that is late with every other
    // reading of the ten a second orders more than one action for each.
    assert!(said["pieces_same"].as_u64().unwrap() > 100, "{said:#}");
    assert!(said["actions"].as_u64().unwrap() > 5_000, "{said:#}");
    assert_eq!(played.status.code(), Some(0));
}
