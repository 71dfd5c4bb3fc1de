//! Changes of the word and of alarms, told to somebody else's server. Neither light nor journal ever waits for it.

use std::time::Duration;

use serde_json::{Value, json};
use tokio::sync::mpsc;
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use crate::event::{Fact, Record};
use crate::moment::Utc;
use crate::page::{Mailbox, Unposted};
use crate::setup::{Setup, Source, Webhook};

/// How many messages may wait; more are dropped, and counted.
pub(super) const WAITING: usize = 64;

/// How long one try may take.
const TRY_FOR: Duration = Duration::from_secs(5);

/// How often a message is tried, and the waits between: from the first, doubling, to the last.
const TRIES: u32 = 10;
const BACK_OFF: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(60));

/// What is told of a record: JSON text, for a change of the word, a move of an alarm, and a flood.
pub(super) fn message(setup: &Setup, record: &Record) -> Option<String> {
    let Fact::Entry { kind, body, .. } = &record.fact else { return None };
    if !["verdict", "alarm", "flood"].contains(&kind.as_str()) {
        return None;
    }
    let body: Value = serde_json::from_str(body).ok()?;
    let word = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let (what, text) = match kind.as_str() {
        "verdict" => (json!({ "verdict": body[0], "why": body[1] }), word(&body[0])),
        "alarm" => {
            let step = &body[0];
            let text = format!("{} {}", word(&step["tag"]), word(&step["to"]));
            (json!({ "alarm": step["tag"], "from": step["from"], "to": step["to"], "cause": body[1] }), text)
        }
        "flood" => (json!({ "flood": body[0], "alarms": body[1] }), format!("flood of alarms {}", word(&body[0]))),
        _ => return None,
    };
    let simulated = setup.source == Source::Simulated;
    let told = if simulated { "SIMULATED, no real table: " } else { "" };
    let message = json!({
        "table": setup.table_name,
        "source": setup.source,
        "at": record.at.civil.map(Utc::rfc3339),
        "record": record.seq.0,
        "kind": kind,
        "what": what,
        "text": format!("{told}{}: {text}", setup.table_name),
    });
    Some(message.to_string())
}

/// Posts what comes, one after the other, until there is no more or the program stops.
pub(super) async fn post_all(webhook: Webhook, mut messages: mpsc::Receiver<String>, stop: CancellationToken) {
    let Webhook { host, port, path, bearer } = webhook;
    let mailbox = Mailbox { host, port, path, bearer };
    let mut silent = false;
    while let Some(Some(message)) = stop.run_until_cancelled(messages.recv()).await {
        let posted = match stop.run_until_cancelled(post(&mailbox, &message, BACK_OFF)).await {
            None => return,
            Some(posted) => posted,
        };
        match &posted {
            Ok(()) if silent => info!(host = mailbox.host, "the webhook takes messages again"),
            Ok(()) => {}
            Err(error) => warn!(host = mailbox.host, %error, "a message to the webhook is given up"),
        }
        silent = posted.is_err();
    }
}

/// Tries until the message is taken, or refused for good, or tried often enough.
async fn post(mailbox: &Mailbox, message: &str, back_off: (Duration, Duration)) -> Result<(), Unposted> {
    let mut wait = back_off.0;
    let mut tried = 1;
    loop {
        let result = timeout(TRY_FOR, mailbox.post(message)).await;
        match result.unwrap_or_else(|_| Err(Unposted::ForNow("it does not answer in time".to_owned()))) {
            Err(Unposted::ForNow(_)) if tried < TRIES => {}
            ended => return ended,
        }
        tried += 1;
        sleep(wait).await;
        wait = (wait * 2).min(back_off.1);
    }
}
