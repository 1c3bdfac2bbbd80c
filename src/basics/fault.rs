//! What the operating system refuses, in plain words.

use std::io::{Error, ErrorKind};

/// The reason as part of a sentence: no capital, no full stop, no number of the system.
#[must_use]
pub fn said(error: &Error) -> String {
    let words = match error.kind() {
        ErrorKind::NotFound => "there is no such file or folder",
        ErrorKind::PermissionDenied => "permission is denied",
        ErrorKind::IsADirectory => "it is a folder",
        ErrorKind::NotADirectory => "a part of the path is a file, not a folder",
        ErrorKind::AlreadyExists => "a file of that name is there already",
        ErrorKind::StorageFull => "the disk is full",
        ErrorKind::ReadOnlyFilesystem => "the disk cannot be written to",
        ErrorKind::ConnectionRefused => "the connection is refused",
        ErrorKind::ConnectionReset => "the other side broke the connection off",
        ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable => "there is no way to it",
        ErrorKind::TimedOut => "no answer came in time",
        ErrorKind::AddrInUse => "another program uses it",
        _ => {
            let text = error.to_string();
            // The number means nothing to whoever is to act upon it.
            return text
                .split_once(" (os error")
                .map_or(text.as_str(), |(words, _)| words)
                .to_owned();
        }
    };
    words.to_owned()
}

#[cfg(test)]
mod tests {
    use super::said;
    use std::io::{Error, ErrorKind};

    #[test]
    fn no_reason_shows_a_number_of_the_system() {
        assert_eq!(
            said(&Error::from(ErrorKind::NotFound)),
            "there is no such file or folder"
        );
        // Whatever the system at hand calls its first two hundred errors.
        for code in 1..200 {
            let words = said(&Error::from_raw_os_error(code));
            assert!(!words.is_empty() && !words.contains("os error"), "{words}");
        }
        assert_eq!(said(&Error::other("garbled message")), "garbled message");
    }
}
