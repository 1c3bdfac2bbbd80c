//! A call that cannot be understood, said in one sentence: which word, what is wrong with it, what to do.

use clap::CommandFactory;
use clap::error::{ContextKind, ContextValue, Error, ErrorKind};

use super::flags::Flags;

/// What is wrong with the `words` of a call.
pub(super) fn sentence(error: &Error, words: impl IntoIterator<Item = String>) -> String {
    let text = |kind| match error.get(kind) {
        Some(ContextValue::String(text)) => text.clone(),
        Some(ContextValue::Strings(texts)) => texts.join(" and "),
        _ => String::new(),
    };
    let argument = named(&text(ContextKind::InvalidArg));
    let name = argument.split(' ').next().unwrap_or_default();
    let value = text(ContextKind::InvalidValue);
    let of = argument.split_once(' ').map_or("", |(_, of)| of);
    let help = help(words);
    let meant = |kind| {
        let word = named(&text(kind));
        if word.is_empty() {
            format!("see `{help}`")
        } else {
            format!("perhaps {word} was meant; see `{help}`")
        }
    };
    match error.kind() {
        ErrorKind::MissingRequiredArgument => {
            format!("{argument} is missing; see `{help}`")
        }
        ErrorKind::InvalidValue if value.is_empty() => {
            format!("{name} needs a value, {of}; see `{help}`")
        }
        ErrorKind::InvalidValue => {
            let valid = match error.get(ContextKind::ValidValue) {
                Some(ContextValue::Strings(valid)) => valid.join(" or "),
                _ => String::new(),
            };
            format!("{name}: \"{value}\" is not understood; give {valid}")
        }
        ErrorKind::ValueValidation => {
            format!("{name}: \"{value}\" is no {}; see `{help}`", number(error))
        }
        ErrorKind::UnknownArgument if text(ContextKind::InvalidArg).starts_with('-') => {
            format!(
                "there is no option {argument}; {}",
                meant(ContextKind::SuggestedArg)
            )
        }
        ErrorKind::UnknownArgument => {
            format!("\"{argument}\" is one word too many; see `{help}`")
        }
        ErrorKind::InvalidSubcommand => format!(
            "there is no command {}; {}",
            text(ContextKind::InvalidSubcommand),
            meant(ContextKind::SuggestedSubcommand)
        ),
        ErrorKind::ArgumentConflict => {
            let other = named(&text(ContextKind::PriorArg));
            let other = other.split(' ').next().unwrap_or_default();
            if other == name {
                format!("{name} is given twice; give it once")
            } else {
                format!("{name} and {other} exclude each other; leave one of them out")
            }
        }
        _ => {
            let said = error.to_string();
            let first = said.lines().next().unwrap_or_default();
            format!(
                "{}; see `{help}`",
                first.strip_prefix("error: ").unwrap_or(first)
            )
        }
    }
}

/// An argument as it is typed, without the marks of a grammar: `--fps N`, `READINGS`.
fn named(argument: &str) -> String {
    argument
        .replace(['<', '>', '[', ']'], "")
        .replace("...", "")
}

/// What kind of number a value should have been.
fn number(error: &Error) -> &'static str {
    let why = std::error::Error::source(error).map_or_else(String::new, ToString::to_string);
    if why.contains("float") {
        "number"
    } else {
        // Integers say "invalid digit", "too large", "empty" or their range.
        "whole number that fits"
    }
}

/// The call that shows the help of the command that was meant.
fn help(words: impl IntoIterator<Item = String>) -> String {
    let program = Flags::command();
    let command = words
        .into_iter()
        .find(|word| program.find_subcommand(word).is_some());
    match command {
        Some(command) => format!("lineturn {command} --help"),
        None => "lineturn --help".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[test]
    fn a_call_that_is_not_understood_gets_one_sentence() {
        for (call, says) in [
            ("watch", "SOURCE is missing; see `lineturn watch --help`"),
            (
                "watch clip.mp4 --toward up",
                "--toward: \"up\" is not understood; give left or right",
            ),
            (
                "watch clip.mp4 --fps abc",
                "--fps: \"abc\" is no number; see `lineturn watch --help`",
            ),
            (
                "practice d --seed x",
                "--seed: \"x\" is no whole number that fits; see `lineturn practice --help`",
            ),
            (
                "watch clip.mp4 --tward left",
                "there is no option --tward; perhaps --toward was meant; see `lineturn watch --help`",
            ),
            (
                "wacht clip.mp4",
                "there is no command wacht; perhaps watch was meant; see `lineturn --help`",
            ),
            (
                "watch clip.mp4 --automatic --gain 3",
                "--automatic and --gain exclude each other; leave one of them out",
            ),
            (
                "reduce a.csv --scale a --scale b",
                "--scale is given twice; give it once",
            ),
            (
                "reduce a.csv --prism-angle 60",
                "--u-prism-angle ARCSEC is missing; see `lineturn reduce --help`",
            ),
            (
                "reduce a.csv b.csv",
                "\"b.csv\" is one word too many; see `lineturn reduce --help`",
            ),
            (
                "watch clip.mp4 --seconds",
                "--seconds needs a value, S; see `lineturn watch --help`",
            ),
        ] {
            let words = || call.split(' ').map(str::to_owned);
            let said = match Flags::try_parse_from(
                std::iter::once("lineturn".to_owned()).chain(words()),
            ) {
                Ok(_) => panic!("{call} was understood"),
                Err(error) => sentence(&error, words()),
            };
            assert_eq!(said, says, "{call}");
        }
    }
}
