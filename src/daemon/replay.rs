//! A recorded shift played again: the same events at the same moments must order the same actions.

use tokio::runtime::Builder;

use super::black_box::{Piece, Sum};
use crate::event::Action;
use crate::journal::{Journal, JournalError, Played, Where};
use crate::minder::{Minder, MinderError};
use crate::moment::{Moment, Utc};

/// Why a journal cannot be played again.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// The runtime does not start.
    #[error("the runtime cannot start: {0}")]
    Runtime(std::io::Error),
    /// The journal cannot be read.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The state that it begins with cannot be read.
    #[error(transparent)]
    Minder(#[from] MinderError),
    /// There is no state to begin with.
    #[error("the journal holds no state of the program to begin with (asked: before {0}); name a later time")]
    NothingKept(String),
}

/// What a replay came to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Replayed {
    /// Events stepped.
    pub events: u64,
    /// Actions ordered.
    pub actions: u64,
    /// Pieces, of about a second each, whose actions were the same to the byte.
    pub same: u64,
    /// Moments at which a piece began whose actions were not the same.
    pub different: Vec<Moment>,
    /// Places where pieces are missing or damaged; what follows one cannot be compared until the next state.
    pub holes: u64,
    /// When it began and ended.
    pub span: Option<(Moment, Moment)>,
}

/// Plays the journal at `place` from the newest state kept before `from`, or from the oldest there is, calling `see` with each
/// moment and the actions ordered then.
///
/// # Errors
/// [`ReplayError`] if there is nothing to play.
pub fn replay(
    place: &Where,
    from: Option<Utc>,
    see: &mut dyn FnMut(Moment, &[Action]),
) -> Result<Replayed, ReplayError> {
    let runtime = Builder::new_current_thread().enable_all().build().map_err(ReplayError::Runtime)?;
    runtime.block_on(play(place, from, see))
}

async fn play(
    place: &Where,
    from: Option<Utc>,
    see: &mut dyn FnMut(Moment, &[Action]),
) -> Result<Replayed, ReplayError> {
    let journal = Journal::look(place).await?;
    let found = journal.black_box(from).await?;
    let mut black_box =
        found.ok_or_else(|| ReplayError::NothingKept(from.map_or_else(|| "ever".to_owned(), Utc::rfc3339)))?;
    let mut minder = Minder::restore(&black_box.snapshot.bytes)?;
    let mut replayed = Replayed::default();
    while let Some(page) = black_box.next().await? {
        for played in page {
            let piece = match &played {
                Played::Piece(bytes) => Piece::read(bytes),
                Played::Hole => None,
            };
            match piece {
                Some(piece) => play_piece(&mut minder, &piece, &mut replayed, see),
                None => replayed.holes += 1,
            }
            if replayed.holes > 0 {
                return Ok(replayed);
            }
        }
    }
    Ok(replayed)
}

fn play_piece(minder: &mut Minder, piece: &Piece, replayed: &mut Replayed, see: &mut dyn FnMut(Moment, &[Action])) {
    let mut sum = Sum::new();
    let mut out = Vec::new();
    for (at, event) in &piece.events {
        out.clear();
        minder.step(*at, event.clone(), &mut out);
        sum.add(&out);
        see(*at, &out);
        replayed.events += 1;
        replayed.actions += out.len() as u64;
        replayed.span = Some((replayed.span.map_or(*at, |(first, _)| first), *at));
    }
    let begun = piece.events.first().map(|(at, _)| *at);
    match (piece.agrees(sum), begun) {
        (false, Some(begun)) => replayed.different.push(begun),
        (_, _) => replayed.same += 1,
    }
}
