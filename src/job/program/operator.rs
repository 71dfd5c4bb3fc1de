//! Operators and functions of expressions; NISTIR 6556, tables 6 and E.1, and comparisons by common practice.

#[derive(Clone, Copy)]
pub(super) enum Operator {
    Power,
    Times,
    Over,
    Modulo,
    Plus,
    Minus,
    Or,
    Xor,
    And,
    Equal,
    Unequal,
    Greater,
    GreaterOrEqual,
    Less,
    LessOrEqual,
}

pub(super) const OPERATORS: [(&str, Operator); 10] = [
    ("MOD", Operator::Modulo),
    ("OR", Operator::Or),
    ("XOR", Operator::Xor),
    ("AND", Operator::And),
    ("EQ", Operator::Equal),
    ("NE", Operator::Unequal),
    ("GT", Operator::Greater),
    ("GE", Operator::GreaterOrEqual),
    ("LT", Operator::Less),
    ("LE", Operator::LessOrEqual),
];

impl Operator {
    /// How closely it binds.
    pub(super) fn binding(self) -> u8 {
        match self {
            Operator::Equal
            | Operator::Unequal
            | Operator::Greater
            | Operator::GreaterOrEqual
            | Operator::Less
            | Operator::LessOrEqual => 0,
            Operator::Plus | Operator::Minus | Operator::Or | Operator::Xor | Operator::And => 1,
            Operator::Times | Operator::Over | Operator::Modulo => 2,
            Operator::Power => 3,
        }
    }

    /// Its value; not finite where it has none.
    #[expect(clippy::float_cmp, reason = "EQ and NE of the language compare as written")]
    pub(super) fn of(self, left: f64, right: f64) -> f64 {
        let (is_left, is_right) = (left != 0.0, right != 0.0);
        match self {
            Operator::Power => left.powf(right),
            Operator::Times => left * right,
            Operator::Over => left / right,
            Operator::Modulo => left.rem_euclid(right),
            Operator::Plus => left + right,
            Operator::Minus => left - right,
            Operator::Or => truth(is_left || is_right),
            Operator::Xor => truth(is_left != is_right),
            Operator::And => truth(is_left && is_right),
            Operator::Equal => truth(left == right),
            Operator::Unequal => truth(left != right),
            Operator::Greater => truth(left > right),
            Operator::GreaterOrEqual => truth(left >= right),
            Operator::Less => truth(left < right),
            Operator::LessOrEqual => truth(left <= right),
        }
    }
}

#[derive(Clone, Copy)]
pub(super) enum Function {
    Abs,
    Acos,
    Asin,
    Atan,
    Cos,
    Exp,
    Fix,
    Fup,
    Ln,
    Round,
    Sin,
    Sqrt,
    Tan,
}

pub(super) const FUNCTIONS: [(&str, Function); 13] = [
    ("ABS", Function::Abs),
    ("ACOS", Function::Acos),
    ("ASIN", Function::Asin),
    ("ATAN", Function::Atan),
    ("COS", Function::Cos),
    ("EXP", Function::Exp),
    ("FIX", Function::Fix),
    ("FUP", Function::Fup),
    ("LN", Function::Ln),
    ("ROUND", Function::Round),
    ("SIN", Function::Sin),
    ("SQRT", Function::Sqrt),
    ("TAN", Function::Tan),
];

impl Function {
    /// Its value; NaN outside its range.
    pub(super) fn of(self, value: f64) -> f64 {
        match self {
            Function::Abs => value.abs(),
            Function::Acos => value.acos().to_degrees(),
            Function::Asin => value.asin().to_degrees(),
            // Its second value is asked for where it is read.
            Function::Atan => value.atan().to_degrees(),
            Function::Cos => value.to_radians().cos(),
            Function::Exp => value.exp(),
            Function::Fix => value.floor(),
            Function::Fup => value.ceil(),
            Function::Ln => value.ln(),
            Function::Round => value.round(),
            Function::Sin => value.to_radians().sin(),
            Function::Sqrt => value.sqrt(),
            Function::Tan => value.to_radians().tan(),
        }
    }
}

pub(super) fn truth(is: bool) -> f64 {
    f64::from(u8::from(is))
}
