//! Modbus RTU frames both ways.

use serde::{Deserialize, Serialize};

/// Why a unit refuses, as sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct ExceptionCode(pub u8);
