//! The one that writes.

use tokio::sync::{mpsc, watch};

use super::{Journal, JournalError, Opened, Settings, Standing, Where, Write};
use crate::moment::Moment;

/// The only writer of a journal.
pub struct Writer {
    settings: Settings,
}

pub(super) async fn open(
    _place: &Where,
    _settings: Settings,
    _at: Moment,
) -> Result<(Journal, Writer, Opened), JournalError> {
    unimplemented!()
}

impl Writer {
    /// Writes what comes until [`Write::Close`] or until every sender is gone, and says in `standing` how it goes.
    ///
    /// The channel is emptied even while a commit hangs, so a sender may wait for room in it.
    ///
    /// # Cancellation
    /// Dropping the future loses what is not yet committed; let it run to its end.
    pub async fn run(self, _inbox: mpsc::Receiver<Write>, _standing: watch::Sender<Standing>) {
        let _ = self.settings;
        unimplemented!()
    }
}
