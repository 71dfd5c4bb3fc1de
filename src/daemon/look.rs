//! A journal looked into by a command, without a daemon.

use tokio::runtime::Builder;

use super::ReplayError;
use crate::journal::{Journal, KeptEntry, KeptReading, Where, Window};

/// Gives every reading of a window to `see`, page by page in the order of their numbers.
///
/// # Errors
/// [`ReplayError`] if the journal cannot be read, or what `see` says.
pub fn readings<E: From<ReplayError>>(
    place: &Where,
    window: Window,
    see: &mut dyn FnMut(&[KeptReading]) -> Result<(), E>,
) -> Result<(), E> {
    let runtime = Builder::new_current_thread().enable_all().build().map_err(ReplayError::Runtime)?;
    runtime.block_on(async {
        let journal = Journal::look(place).await.map_err(ReplayError::from)?;
        let mut readings = journal.readings(None, window).await.map_err(ReplayError::from)?;
        while let Some(page) = readings.next().await.map_err(ReplayError::from)? {
            see(&page)?;
        }
        Ok(())
    })
}

/// The newest entries of a kind in a window, oldest first, a hundred thousand at most.
///
/// # Errors
/// [`ReplayError`] if the journal cannot be read.
pub fn entries(place: &Where, kind: &str, window: Window) -> Result<Vec<KeptEntry>, ReplayError> {
    let runtime = Builder::new_current_thread().enable_all().build().map_err(ReplayError::Runtime)?;
    runtime.block_on(async {
        let journal = Journal::look(place).await?;
        Ok(journal.entries(Some(kind), window, u32::MAX).await?)
    })
}

/// The newest entry of a kind.
///
/// # Errors
/// [`ReplayError`] if the journal cannot be read.
pub fn last_entry(place: &Where, kind: &str) -> Result<Option<KeptEntry>, ReplayError> {
    let runtime = Builder::new_current_thread().enable_all().build().map_err(ReplayError::Runtime)?;
    runtime.block_on(async { Ok(Journal::look(place).await?.last_entry(kind).await?) })
}
