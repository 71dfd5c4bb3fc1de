//! Who may press keys from another computer: the real program on every address of this one, asked over one that is no loopback.
#![expect(clippy::unwrap_used, clippy::print_stderr, reason = "a test may fail, and says what it could not run")]

mod support;

use std::net::{IpAddr, TcpListener, UdpSocket};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::time::Duration;

use serde_json::{Value, json};
use support::Watched;
use support::peer::{Peer, table_on};

/// An address of this computer that is no loopback; nothing is sent to find it.
fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind("0.0.0.0:0").ok()?;
    // A network for documentation, RFC 5737.
    socket.connect("192.0.2.1:9").ok()?;
    Some(socket.local_addr().ok()?.ip()).filter(|address| !address.is_loopback() && !address.is_unspecified())
}

/// Status, body and cookie of a post.
fn post(page: &str, path: &str, body: &Value, cookie: Option<&str>) -> (u16, Value, Option<String>) {
    let client = ureq::Agent::config_builder()
        .timeout_global(Some(Duration::from_secs(20)))
        .http_status_as_error(false)
        .build()
        .new_agent();
    let mut request = client.post(format!("{page}{path}")).header("Content-Type", "application/json");
    if let Some(cookie) = cookie {
        request = request.header("Cookie", cookie);
    }
    let mut answer = request.send(body.to_string()).unwrap();
    let set = answer.headers().get("Set-Cookie").map(|set| set.to_str().unwrap().to_owned());
    let text = answer.body_mut().read_to_string().unwrap();
    (answer.status().as_u16(), serde_json::from_str(&text).unwrap_or(Value::Null), set)
}

/// The setup of a table whose page listens on every address, at this port.
fn everywhere(folder: &Path) -> (std::path::PathBuf, std::path::PathBuf, u16) {
    let (setup, link) = table_on(folder);
    let text = std::fs::read_to_string(&setup).unwrap();
    let port = TcpListener::bind("0.0.0.0:0").unwrap().local_addr().unwrap().port();
    let (before, after) = text.split_once("listen = \"").unwrap();
    let (_, after) = after.split_once('"').unwrap();
    std::fs::write(&setup, format!("{before}listen = \"0.0.0.0:{port}\"{after}")).unwrap();
    (setup, link, port)
}

#[test]
fn a_device_is_paired_by_a_code_and_stays_so_until_forgotten() {
    let Some(address) = own_address() else {
        eprintln!("COULD NOT RUN the pairing of a device: this computer has no address but loopback");
        return;
    };
    let folder = tempfile::tempdir().unwrap();
    let (setup, link, port) = everywhere(folder.path());
    let _gauge = Peer::on(&link, 8_400);
    let (near, far) = (format!("http://127.0.0.1:{port}"), format!("http://{address}:{port}"));
    let program = Watched::run(&setup);
    let key = json!({"open": []});
    let (status, refused, _) = post(&far, "/api/v1/zones", &key, None);
    assert_eq!((status, refused["key"].as_str()), (401, Some("not-paired")), "{refused}");
    assert_eq!(post(&far, "/api/v1/pair/code", &json!({}), None).0, 401, "a code is shown at the computer alone");
    assert_eq!(post(&near, "/api/v1/zones", &key, None).0 / 100, 2, "the computer itself needs no pairing");
    assert_eq!(post(&far, "/api/v1/pair", &json!({"code": "12345678"}), None).0, 403, "no code is offered yet");

    let code = post(&near, "/api/v1/pair/code", &json!({}), None).1["code"].as_str().unwrap().to_owned();
    assert!(code.len() == 8 && code.bytes().all(|digit| digit.is_ascii_digit()), "{code}");
    let (status, _, set) = post(&far, "/api/v1/pair", &json!({"code": code}), None);
    let set = set.unwrap();
    assert_eq!(status, 200);
    assert!(set.contains("HttpOnly") && set.contains("SameSite=Strict"), "{set}");
    let cookie = set.split(';').next().unwrap();
    assert_eq!(post(&far, "/api/v1/zones", &key, Some(cookie)).0 / 100, 2);
    assert_eq!(post(&far, "/api/v1/zones", &key, Some("holdwatch-paired=0")).0, 401);
    assert_eq!(post(&far, "/api/v1/pair", &json!({"code": code}), None).0, 403, "a code pairs one device");
    assert_eq!(program.stop(), Some(0));

    let kept = folder.path().join("journal.paired");
    assert_eq!(std::fs::metadata(&kept).unwrap().permissions().mode() & 0o777, 0o600);
    let token = cookie.split_once('=').unwrap().1;
    assert!(!std::fs::read_to_string(&kept).unwrap().contains(token), "a token itself is not kept");
    let program = Watched::run(&setup);
    assert_eq!(post(&far, "/api/v1/zones", &key, Some(cookie)).0 / 100, 2, "a restart forgets no device");
    assert_eq!(post(&near, "/api/v1/pair/forget", &json!({}), None).0, 204);
    assert_eq!(post(&far, "/api/v1/zones", &key, Some(cookie)).0, 401);
    assert_eq!(program.stop(), Some(0));
}
