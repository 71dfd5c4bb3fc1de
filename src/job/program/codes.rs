//! The G and M codes that are understood, and why others are not.
//!
//! Codes and their modal groups: ISO 6983-1 (1982) and NISTIR 6556, tables 4, 5 and 7; `G52`, `G73`, `G90.1` and `G91.1` by common practice.

use super::block::CodeWord;
use super::refusal::{Flaw, flaw};
use super::settings::{UnitOfLength, WorkZero};
use super::step::{Plane, Turning};

/// How axis words move the cutter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Motion {
    /// `G0`.
    Rapid,
    /// `G1`.
    Feed,
    /// `G2` and `G3`.
    Round { clockwise: bool },
    /// `G73`, `G81` to `G89`.
    Drill(Drill),
    /// `G80`.
    None,
}

/// A drilling cycle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Drill {
    /// `G81`.
    Plain,
    /// `G82`.
    Dwelling,
    /// `G83`: clear of the hole after each peck.
    Pecking,
    /// `G73`: a little back after each peck.
    ChipBreaking,
    /// `G84`: a thread, back at the same feed.
    Tapping,
    /// `G85`: back at the same feed.
    Reaming,
    /// `G86`: the spindle stops, back at the rapid.
    Boring,
    /// `G89`: waits, back at the same feed.
    ReamingWithDwell,
}

/// What a G code does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum G {
    Motion(Motion),
    Dwell,
    /// `G53`: machine coordinates for one line.
    Machine,
    /// `G28`, `G30`.
    Home,
    /// `G92`.
    SetHere,
    /// `G92.1`, `G92.2`: without the shift; the second keeps it for `G92.3`.
    DropShift {
        kept: bool,
    },
    /// `G92.3`.
    RestoreShift,
    /// `G52`.
    LocalShift,
    Plane(Plane),
    Unit(UnitOfLength),
    /// `G90`, `G91`.
    Places {
        absolute: bool,
    },
    /// `G90.1`, `G91.1`.
    Centres {
        absolute: bool,
    },
    FeedMode(FeedMode),
    /// `G43`, `G49`.
    Length {
        on: bool,
    },
    /// `G98`, `G99`: back to the first height, or to R.
    Return {
        to_first: bool,
    },
    Zero(WorkZero),
    /// `G61`, and `G64` without an exact stop.
    Path {
        exact_stop: bool,
    },
    /// Switches something off that is refused when switched on, by its modal group.
    Off(u8),
}

/// What F means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum FeedMode {
    /// `G93`.
    InverseTime,
    /// `G94`.
    PerMinute,
    /// `G95`.
    PerTurn,
}

/// What an M code does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum M {
    Pause {
        optional: bool,
    },
    End,
    Spindle(Turning),
    Change,
    /// Coolant or overrides: nothing that moves.
    Aside(u8),
    Call,
    Return,
}

impl G {
    /// The modal group: at most one code of it on a line. `G80` has one of its own: by the letter of NISTIR 6556, table 5, it is of
    /// group 1, but as a rule it stands beside `G0` in the line that puts a machine in order (common practice, no source).
    pub(super) fn group(self) -> u8 {
        match self {
            G::Motion(Motion::None) => 9,
            G::Dwell | G::Machine | G::Home | G::SetHere | G::DropShift { .. } | G::RestoreShift | G::LocalShift => 0,
            G::Motion(_) => 1,
            G::Plane(_) => 2,
            G::Places { .. } => 3,
            G::Centres { .. } => 4,
            G::FeedMode(_) => 5,
            G::Unit(_) => 6,
            G::Length { .. } => 8,
            G::Return { .. } => 10,
            G::Zero(_) => 12,
            G::Path { .. } => 13,
            G::Off(group) => group,
        }
    }
}

impl M {
    /// The modal group: at most one code of it on a line.
    pub(super) fn group(self) -> u8 {
        match self {
            M::Pause { .. } | M::End | M::Call | M::Return => 4,
            M::Change => 6,
            M::Spindle(_) => 7,
            M::Aside(group) => group,
        }
    }
}

/// What a G word orders.
pub(super) fn g(word: &CodeWord) -> Result<G, Flaw> {
    let drill = |drill| G::Motion(Motion::Drill(drill));
    Ok(match word.tenths {
        0 => G::Motion(Motion::Rapid),
        10 => G::Motion(Motion::Feed),
        20 => G::Motion(Motion::Round { clockwise: true }),
        30 => G::Motion(Motion::Round { clockwise: false }),
        40 => G::Dwell,
        170 => G::Plane(Plane::Xy),
        180 => G::Plane(Plane::Zx),
        190 => G::Plane(Plane::Yz),
        200 | 700 => G::Unit(UnitOfLength::Inch),
        210 | 710 => G::Unit(UnitOfLength::Millimetre),
        280 | 300 => G::Home,
        400 => G::Off(7),
        430 => G::Length { on: true },
        490 => G::Length { on: false },
        500 => G::Off(11),
        520 => G::LocalShift,
        530 => G::Machine,
        540 => G::Zero(WorkZero(1)),
        550 => G::Zero(WorkZero(2)),
        560 => G::Zero(WorkZero(3)),
        570 => G::Zero(WorkZero(4)),
        580 => G::Zero(WorkZero(5)),
        590 => G::Zero(WorkZero(6)),
        591 => G::Zero(WorkZero(7)),
        592 => G::Zero(WorkZero(8)),
        593 => G::Zero(WorkZero(9)),
        610 | 611 => G::Path { exact_stop: true },
        640 => G::Path { exact_stop: false },
        690 => G::Off(16),
        730 => drill(Drill::ChipBreaking),
        800 => G::Motion(Motion::None),
        810 => drill(Drill::Plain),
        820 => drill(Drill::Dwelling),
        830 => drill(Drill::Pecking),
        840 => drill(Drill::Tapping),
        850 => drill(Drill::Reaming),
        860 => drill(Drill::Boring),
        890 => drill(Drill::ReamingWithDwell),
        900 => G::Places { absolute: true },
        910 => G::Places { absolute: false },
        901 => G::Centres { absolute: true },
        911 => G::Centres { absolute: false },
        920 => G::SetHere,
        921 => G::DropShift { kept: false },
        922 => G::DropShift { kept: true },
        923 => G::RestoreShift,
        930 => G::FeedMode(FeedMode::InverseTime),
        940 => G::FeedMode(FeedMode::PerMinute),
        950 => G::FeedMode(FeedMode::PerTurn),
        970 => G::Off(14),
        980 => G::Return { to_first: true },
        990 => G::Return { to_first: false },
        other => return Err(refused_g(other, word)),
    })
}

fn refused_g(tenths: u16, word: &CodeWord) -> Flaw {
    let (what, remedy) = match tenths {
        410 | 411 | 420 | 421 => (
            "shifts the path by the cutter's radius, which stands in the controller",
            "have the path of the centre written",
        ),
        50..=53 => ("is a curve that is not read", "have lines and arcs written"),
        120..=139 => ("is a pocket of the controller's own", "have its path written out"),
        100 => ("changes tables of the controller", "set zeros and tools at the controller, and name them on the card"),
        281 | 301 => ("stores a place of the machine", "store it at the controller"),
        380..=389 => ("probes: where it ends is not in the program", "probe before the program"),
        431 | 432 => ("shifts by lengths that stand in the program's words or two tables", "use G43"),
        510 => ("scales the path", "have the path written at its size"),
        680 => ("turns the path", "have the path written as it lies"),
        740 | 760 | 870 | 880 => ("is a cycle that is not read", "have its moves written out"),
        960 => ("lets the spindle's speed follow a diameter, as on a lathe", "use G97"),
        _ => ("is not known", "take it out, or name it under ignore on the card if it moves nothing"),
    };
    flaw(word.columns.clone(), format!("{} {what}", shown('G', tenths)), remedy)
}

/// What an M word orders.
pub(super) fn m(word: &CodeWord) -> Result<M, Flaw> {
    Ok(match word.tenths {
        0 | 600 => M::Pause { optional: false },
        10 => M::Pause { optional: true },
        20 | 300 => M::End,
        30 => M::Spindle(Turning::Clockwise),
        40 => M::Spindle(Turning::Counterclockwise),
        50 => M::Spindle(Turning::Stopped),
        60 => M::Change,
        70 | 80 | 90 => M::Aside(8),
        480 | 490 => M::Aside(9),
        980 => M::Call,
        990 => M::Return,
        other => {
            let what = format!("{} is the controller's own", shown('M', other));
            return Err(flaw(word.columns.clone(), what, "name it under ignore on the card if it moves nothing"));
        }
    })
}

/// A code as it is written.
pub(super) fn shown(letter: char, tenths: u16) -> String {
    super::settings::Code { letter, tenths }.to_string()
}
