//! The causes of the leak beyond expectation and what sealing gives back, in sentences.

use crate::board::Outlook;
use crate::board::causes::{Causes, Part};
use crate::board::sealing::Bead;
use crate::board::survey::Side;

/// What the sheets tell of the causes; nothing if too few of them have a card that is still there.
pub(super) fn told(outlook: &Outlook) -> Vec<String> {
    let mut lines = outlook.causes.as_ref().map(sentences).unwrap_or_default();
    lines.extend(outlook.sealing.iter().map(|gain| {
        format!(
            "sealing {} gives back {:.1} kPa ({:.1} to {:.1}), and {:.0} % of margin",
            bead_word(gain.of),
            gain.level.pascals() / 1e3,
            gain.interval.0.pascals() / 1e3,
            gain.interval.1.pascals() / 1e3,
            (gain.margin - 1.0) * 100.0
        )
    }));
    lines
}

pub(super) fn bead_word(bead: Bead) -> String {
    match bead {
        Bead::Side(Side::XMin) => "the side at x = 0".to_owned(),
        Bead::Side(Side::XMax) => "the side at the far end of x".to_owned(),
        Bead::Side(Side::YMin) => "the side at y = 0".to_owned(),
        Bead::Side(Side::YMax) => "the side at the far end of y".to_owned(),
        Bead::Seam(place) => format!("seam {}", place + 1),
        Bead::All => "rims and seams, which these zones cannot tell apart,".to_owned(),
    }
}

fn sentences(causes: &Causes) -> Vec<String> {
    let percent = |part: &Part| {
        format!("{:+.0} % ({:+.0} to {:+.0})", part.share * 100.0, part.interval.0 * 100.0, part.interval.1 * 100.0)
    };
    let parts = [("the face", causes.face), ("rims and seams", causes.rim), ("pump or filter", causes.suction)];
    let (told, untold): (Vec<_>, Vec<_>) = parts.into_iter().partition(|(_, part)| part.told);
    let mut lines = vec![format!(
        "beyond what is expected, {} sheets since the last care leaked {} in all",
        causes.sheets,
        percent(&causes.together)
    )];
    lines.extend(told.iter().map(|(name, part)| format!("of that {name}: {}", percent(part))));
    if !untold.is_empty() {
        let names: Vec<&str> = untold.iter().map(|(name, _)| *name).collect();
        lines.push(format!("these sheets cannot part {}: cut on other zones, or take a survey", names.join(", ")));
    }
    lines.extend(
        causes
            .leaking()
            .iter()
            .map(|(bead, part)| format!("{} leaks beyond its share: {}", bead_word(*bead), percent(part))),
    );
    lines
}
