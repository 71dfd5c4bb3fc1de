//! Looking into a journal.

use std::path::Path;

use super::{Bucket, JournalError, KeptEntry, KeptGap, KeptReading, KeptSnapshot, Played, Where, Window};
use crate::event::GaugeId;
use crate::moment::Utc;

/// A journal to look into; clones share their connections.
#[derive(Clone)]
pub struct Journal {}

/// Readings of a window, page by page in the order of their numbers.
pub struct Readings {}

/// A snapshot, and page by page what happened after it.
pub struct BlackBox {
    /// Where a replay begins.
    pub snapshot: KeptSnapshot,
}

impl Journal {
    /// Opens a journal only to look, as `report`, `export` and `replay` do beside a running daemon.
    ///
    /// # Errors
    /// As [`super::open`], but a journal in use is no obstacle.
    pub async fn look(_place: &Where) -> Result<Self, JournalError> {
        unimplemented!()
    }

    /// A gauge's window in about `points` buckets; buckets without readings are left out.
    ///
    /// # Errors
    /// What the database says.
    pub async fn history(&self, _gauge: GaugeId, _window: Window, _points: u32) -> Result<Vec<Bucket>, JournalError> {
        unimplemented!()
    }

    /// The newest `limit` entries of a window, oldest first, of one kind or of all.
    ///
    /// # Errors
    /// What the database says.
    pub async fn entries(
        &self,
        _kind: Option<&str>,
        _window: Window,
        _limit: u32,
    ) -> Result<Vec<KeptEntry>, JournalError> {
        unimplemented!()
    }

    /// The newest entry of a kind.
    ///
    /// # Errors
    /// What the database says.
    pub async fn last_entry(&self, _kind: &str) -> Result<Option<KeptEntry>, JournalError> {
        unimplemented!()
    }

    /// The newest `limit` gaps that touch a window, oldest first.
    ///
    /// # Errors
    /// What the database says.
    pub async fn gaps(&self, _window: Window, _limit: u32) -> Result<Vec<KeptGap>, JournalError> {
        unimplemented!()
    }

    /// The readings of a window, of one gauge or of all, to be taken page by page.
    ///
    /// # Errors
    /// What the database says.
    pub async fn readings(&self, _gauge: Option<GaugeId>, _window: Window) -> Result<Readings, JournalError> {
        unimplemented!()
    }

    /// The newest snapshot taken before `time` and everything after it; `None` if there is no snapshot so old.
    ///
    /// # Errors
    /// What the database says.
    pub async fn black_box(&self, _time: Utc) -> Result<Option<BlackBox>, JournalError> {
        unimplemented!()
    }

    /// Writes a copy of the journal to `path` and checks it, leaving what was there if it fails; only for SQLite.
    ///
    /// # Errors
    /// What the database or the file system says.
    pub async fn copy(&self, _path: &Path) -> Result<(), JournalError> {
        unimplemented!()
    }
}

impl Readings {
    /// The next page; `None` after the last.
    ///
    /// # Errors
    /// What the database says, or [`JournalError::Damaged`].
    pub async fn next(&mut self) -> Result<Option<Vec<KeptReading>>, JournalError> {
        unimplemented!()
    }
}

impl BlackBox {
    /// The next page; `None` after the last.
    ///
    /// # Errors
    /// What the database says, or [`JournalError::Damaged`].
    pub async fn next(&mut self) -> Result<Option<Vec<Played>>, JournalError> {
        unimplemented!()
    }
}
