//! Named qualities: how far the sample rate is raised inside.

/// How finely the driven path steps. The internal rate is the sample rate doubled until it reaches
/// the quality's least rate, so a quality means the same aliasing at every sample rate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Quality {
    /// At least 88.2 kHz (twofold from 44.1 or 48 kHz): for trying things out.
    Draft,
    /// At least 176.4 kHz (fourfold).
    Fair,
    /// At least 352.8 kHz (eightfold): the default.
    #[default]
    Standard,
    /// At least 705.6 kHz (sixteenfold).
    Fine,
}

impl Quality {
    /// All qualities, coarsest first.
    pub const ALL: [Self; 4] = [Self::Draft, Self::Fair, Self::Standard, Self::Fine];

    /// Its name on the command line.
    pub fn name(self) -> &'static str {
        match self {
            Self::Draft => "draft",
            Self::Fair => "fair",
            Self::Standard => "standard",
            Self::Fine => "fine",
        }
    }

    /// The quality of that name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|q| q.name() == name)
    }

    /// Whether steps are divided where the circuit does something sudden. The coarser ones are for trying things
    /// out: there, a guitar's attack makes nearly every step sudden.
    pub fn divides(self) -> bool {
        self >= Self::Standard
    }

    fn least_rate_hz(self) -> f64 {
        match self {
            Self::Draft => 88_200.0,
            Self::Fair => 176_400.0,
            Self::Standard => 352_800.0,
            Self::Fine => 705_600.0,
        }
    }

    /// Number of doublings (1 to 4) at a sample rate.
    pub fn doublings(self, sample_rate_hz: f64) -> usize {
        let mut doublings = 1;
        while doublings < 4 && sample_rate_hz * f64::from(1 << doublings) < self.least_rate_hz() {
            doublings += 1;
        }
        doublings
    }
}
