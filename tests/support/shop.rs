//! An invented shop's router: two zones side by side on one pump.
#![allow(dead_code, reason = "each test file uses its own part of this")]

/// Its table and its line; the port is there to be replaced.
pub const TABLE: &str = r#"[table]
name = "Router 1"
altitude_m = 0
[pump]
class = "claw"
nameplate_m3_h = 250
[board]
class = "light"
thickness_mm = 18
length_mm = 2440
width_mm = 1220
rims = "sealed"
[zones]
rows = 1
columns = 2
margin_mm = 20
names = ["left", "right"]
[watch]
shadow_sheets = 0
[[line]]
name = "vacuum"
port = "/dev/serial/by-id/adapter"
protocol = "modbus-rtu"
baud = 115200
"#;

/// The line's port in it.
pub const PORT: &str = "/dev/serial/by-id/adapter";

/// Its gauge, unit 1's input register 0 in tenths of a millibar.
pub const GAUGE: &str = r#"[[gauge]]
name = "table"
line = "vacuum"
place = "manifold"
unit_id = 1
table = "input"
register = 0
kind = "i16"
scale = 0.1
unit = "mbar"
counts = "vacuum"
range = [0, 1000]
"#;

/// The setup of both, with more below.
pub fn shop(more: &str) -> String {
    [TABLE, GAUGE, more].concat()
}
