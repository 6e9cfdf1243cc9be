//! Quantities in SI base units, one type each, so that an ohm is never taken for a farad.

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
        pub struct $name(pub f64);
    };
}

quantity!(/// Resistance in ohms.
    Ohms);
quantity!(/// Capacitance in farads.
    Farads);
quantity!(/// Inductance in henries.
    Henries);
quantity!(/// Electric potential difference in volts.
    Volts);
quantity!(/// Frequency in hertz.
    Hertz);
quantity!(/// Power in watts.
    Watts);
quantity!(/// Current in amperes.
    Amperes);
