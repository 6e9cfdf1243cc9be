//! Pitches of equal temperament at A4 = 440 Hz.

/// A note by name, and its number as counted by MIDI (A4 is 69).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pitch {
    pub name: &'static str,
    pub number: i16,
}

impl Pitch {
    /// The fundamental frequency: 440 Hz (ISO 16:1975) times 2^((number - 69)/12).
    pub fn hz(self) -> f64 {
        440.0 * ((f64::from(self.number) - 69.0) / 12.0).exp2()
    }
}

/// The open strings of a guitar in standard tuning, from the lowest: 82.41 to 329.63 Hz.
pub const GUITAR_STRINGS: [Pitch; 6] = [
    Pitch { name: "E2", number: 40 },
    Pitch { name: "A2", number: 45 },
    Pitch { name: "D3", number: 50 },
    Pitch { name: "G3", number: 55 },
    Pitch { name: "B3", number: 59 },
    Pitch { name: "E4", number: 64 },
];

#[cfg(test)]
mod tests {
    use super::GUITAR_STRINGS;

    /// Frequencies as tables of the tuning print them.
    #[test]
    fn open_strings() {
        let printed = [82.4069, 110.0, 146.8324, 195.9977, 246.9417, 329.6276];
        for (pitch, hz) in GUITAR_STRINGS.iter().zip(printed) {
            assert!((pitch.hz() - hz).abs() < 1e-4, "{}: {}", pitch.name, pitch.hz());
        }
    }
}
