//! Keys that nobody guesses: 160 bits from the operating system each.

use ring::rand::{SecureRandom, SystemRandom};

/// Bytes of a key.
const BYTES: usize = 20;

/// Who asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Role {
    /// May do everything.
    Operator,
    /// May look.
    Viewer,
}

/// The two keys of a shared bench.
pub(super) struct Keys {
    operator: String,
    viewer: String,
}

impl Keys {
    /// New keys.
    ///
    /// # Errors
    /// The operating system gives no random numbers.
    pub(super) fn new() -> Result<Self, String> {
        Ok(Self {
            operator: key()?,
            viewer: key()?,
        })
    }

    pub(super) fn operator(&self) -> &str {
        &self.operator
    }

    pub(super) fn viewer(&self) -> &str {
        &self.viewer
    }

    /// Whose key it is; the time it takes says nothing of the key.
    pub(super) fn role(&self, given: &str) -> Option<Role> {
        match (same(given, &self.operator), same(given, &self.viewer)) {
            (true, _) => Some(Role::Operator),
            (_, true) => Some(Role::Viewer),
            _ => None,
        }
    }
}

fn key() -> Result<String, String> {
    let mut bytes = [0_u8; BYTES];
    SystemRandom::new().fill(&mut bytes).map_err(|_| {
        "the system gives no random numbers for the keys; share without them is not possible: leave --share out".to_owned()
    })?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

fn same(one: &str, other: &str) -> bool {
    one.len() == other.len()
        && one
            .bytes()
            .zip(other.bytes())
            .fold(0, |differ, (a, b)| differ | (a ^ b))
            == 0
}
