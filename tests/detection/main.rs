//! What the watch finds, how fast, and how often it is wrong.

mod charts;
mod rig;
mod scenes;
