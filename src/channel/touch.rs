//! What just happened to a channel.

use std::ops::{BitOr, BitOrAssign};

/// What the newest line, or time, did to a channel. Several can hold at once; a formula has what its terms have.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Touch(u8);

impl Touch {
    /// Nothing.
    pub const NONE: Self = Self(0);
    /// It shows something else than before, or may.
    pub const CHANGED: Self = Self(1);
    /// The line carried a reading of it, null or not.
    pub const READ: Self = Self(2);
    /// That reading came after a stretch in which it was stale.
    pub const GAP: Self = Self(4);
    /// Its controller restarted: nothing is joined across.
    pub const RESTART: Self = Self(8);

    /// Whether anything happened.
    pub const fn any(self) -> bool {
        self.0 != 0
    }

    /// Whether the line carried a reading of it.
    pub const fn is_read(self) -> bool {
        self.0 & Self::READ.0 != 0
    }

    /// Whether a stale stretch ended.
    pub const fn ends_gap(self) -> bool {
        self.0 & Self::GAP.0 != 0
    }

    /// Whether readings before and after must not be joined.
    pub const fn parts(self) -> bool {
        self.0 & (Self::GAP.0 | Self::RESTART.0) != 0
    }
}

impl BitOr for Touch {
    type Output = Self;

    fn bitor(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
}

impl BitOrAssign for Touch {
    fn bitor_assign(&mut self, other: Self) {
        *self = *self | other;
    }
}
