//! What a person at the keys can do, however it was typed.

use super::board::Board;
use super::error::LiveError;
use crate::units::Position;

/// One thing to do.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// A version, counted from 0.
    Choose(usize),
    /// The version before or after the one that is on.
    Step(i32),
    /// A control by so much on the scale of 0 to 10, or to a position.
    TurnBy {
        control: String,
        by: f64,
    },
    TurnTo {
        control: String,
        to: Position,
    },
    /// Equally loud, or as loud as the amp would be; the other one if `None`.
    Matched(Option<bool>),
    Muted(Option<bool>),
    Limiter(Option<bool>),
    Together(Option<bool>),
    VolumeBy(f64),
    VolumeTo(f64),
    /// Clear marks and counts.
    Clear,
    Help,
    Quit,
}

/// Finest step of a knob.
const GRAIN: f64 = 0.05;

/// What is typed in plain mode.
pub const HELP: &str = "\
  1, 2, ...        the version of that number
  next, previous   the version after, before
  NAME POSITION    a control: `treble 6.5`, `treble 1:30`, `treble +0.5`
  matched, as-is   all versions equally loud, or as loud as the amp would be
  level -6         volume of the output in dB; `level +1` raises it
  mute, unmute     silence, and back
  limiter on, off  the output limiter
  together on, off a control moves in all versions that have it
  clear            clears marks and counts
  quit             ends (so does Ctrl-C)
";

impl Action {
    /// Reads a typed line; `controls` are the names of the controls of the version that is on.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn parse(line: &str, controls: &[String]) -> Result<Self, String> {
        let mut words = line.split_whitespace();
        let (first, second, more) = (words.next().unwrap_or(""), words.next(), words.next());
        if more.is_some() {
            return Err(format!("{line:?} is too much at once; one thing a line"));
        }
        let on = |words: Option<&str>| match words {
            None => Ok(None),
            Some("on") => Ok(Some(true)),
            Some("off") => Ok(Some(false)),
            Some(other) => Err(format!("{other:?} is neither on nor off")),
        };
        if let Ok(number) = first.parse::<usize>() {
            return match number.checked_sub(1) {
                Some(version) if second.is_none() => Ok(Self::Choose(version)),
                _ => Err(format!("{line:?} is no version; they are counted from 1")),
            };
        }
        // A control may be called as something else here is: with a position it is the control.
        if let (Some(control), Some(position)) = (controls.iter().find(|c| *c == first), second) {
            let (control, signed) = (control.clone(), position.starts_with(['+', '-']));
            if signed && let Ok(by) = position.parse() {
                return Ok(Self::TurnBy { control, by });
            }
            let to = position.parse().map_err(|e: crate::units::UnitError| e.to_string())?;
            return Ok(Self::TurnTo { control, to });
        }
        match first {
            "next" => Ok(Self::Step(1)),
            "previous" => Ok(Self::Step(-1)),
            "matched" => Ok(Self::Matched(Some(true))),
            "as-is" => Ok(Self::Matched(Some(false))),
            "mute" => Ok(Self::Muted(Some(true))),
            "unmute" => Ok(Self::Muted(Some(false))),
            "limiter" => on(second).map(Self::Limiter),
            "together" => on(second).map(Self::Together),
            "level" => {
                let text = second.unwrap_or_default();
                let number = text.trim_end_matches("dB").parse::<f64>();
                match number {
                    Ok(db) if db.is_finite() && text.starts_with('+') => Ok(Self::VolumeBy(db)),
                    Ok(db) if db.is_finite() => Ok(Self::VolumeTo(db)),
                    _ => Err(format!("{text:?} is no level; give decibels, such as -6")),
                }
            }
            "clear" => Ok(Self::Clear),
            "help" | "?" => Ok(Self::Help),
            "quit" | "exit" | "q" => Ok(Self::Quit),
            _ => {
                let known = controls.join(", ");
                Err(format!("{first:?} is nothing known here; controls are {known}; try help"))
            }
        }
    }

    /// Does it, as far as the board is concerned.
    ///
    /// # Errors
    /// As [`Board::turn`].
    pub fn apply(&self, board: &mut Board) -> Result<(), LiveError> {
        let settings = board.settings();
        match self {
            Self::Choose(version) => board.choose(*version),
            Self::Step(by) => {
                let count = board.versions().len() as i32;
                let next = (settings.version as i32 + by).rem_euclid(count.max(1));
                board.choose(next as usize);
            }
            Self::TurnBy { control, by } => {
                let at = board.on().and_then(|v| v.state().positions().get(control)).copied();
                let number = at.unwrap_or_default().number() + by;
                let number = (number / GRAIN).round() * GRAIN;
                board.turn(control, Position::from_turn(number / 10.0))?;
            }
            Self::TurnTo { control, to } => board.turn(control, *to)?,
            Self::Matched(on) => board.set_matched(on.unwrap_or(!settings.matched)),
            Self::Muted(on) => board.set_muted(on.unwrap_or(!settings.muted)),
            Self::Limiter(on) => board.set_limiter(on.unwrap_or(!settings.limiter)),
            Self::Together(on) => board.set_together(on.unwrap_or(!settings.together)),
            Self::VolumeBy(db) => board.set_volume_db(settings.volume_db + db),
            Self::VolumeTo(db) => board.set_volume_db(*db),
            Self::Clear | Self::Help | Self::Quit => {}
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_read() {
        let controls = ["volume".to_owned(), "treble".to_owned()];
        let parse = |line: &str| Action::parse(line, &controls);
        assert_eq!(parse("2"), Ok(Action::Choose(1)));
        assert_eq!(parse(" next "), Ok(Action::Step(1)));
        let to = |control: &str, number: f64| Action::TurnTo {
            control: control.to_owned(),
            to: Position::new(number).expect("a position"),
        };
        assert_eq!(parse("treble 6.5"), Ok(to("treble", 6.5)));
        assert_eq!(parse("treble 12:00"), Ok(to("treble", 5.0)));
        let by = |by: f64| Action::TurnBy { control: "treble".to_owned(), by };
        assert_eq!((parse("treble +0.5"), parse("treble -1")), (Ok(by(0.5)), Ok(by(-1.0))));
        assert_eq!(parse("volume 6"), Ok(to("volume", 6.0)));
        assert_eq!(parse("level -6dB"), Ok(Action::VolumeTo(-6.0)));
        assert_eq!(parse("limiter off"), Ok(Action::Limiter(Some(false))));
        assert_eq!(parse("as-is"), Ok(Action::Matched(Some(false))));
        for (line, words) in [
            ("0", "counted from 1"),
            ("treble 11", "outside of 0 to 10"),
            ("level loud", "no level"),
            ("limiter perhaps", "neither on nor off"),
            ("middle 3", "controls are volume, treble"),
            ("treble 3 4", "too much"),
        ] {
            let error = parse(line).expect_err(line);
            assert!(error.contains(words), "{line}: {error}");
        }
    }
}
