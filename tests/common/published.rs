//! Constants of triodes as published, for ngspice and for tests that write laws out once more.

use super::cards::{ContactCard, SharedCurrentCard, TriodeCard};

/// N. L. Koren, "Improved vacuum-tube models for SPICE simulations", Glass Audio 8(5), 1996, author's
/// errata table 1; the grid is that of RSD-1 below.
pub const KOREN_12AX7: TriodeCard = TriodeCard {
    mu: 100.0,
    ex: 1.4,
    kg1: 1060.0,
    kp: 600.0,
    kvb: 300.0,
    gg: 6.177e-4,
    cg: 9.901,
    xi: 1.314,
};

/// K. Dempwolf, U. Zoelzer, "A physically-motivated triode model for circuit simulations", DAFx-11,
/// 2011, table 1 (read in transcriptions that agree).
pub const RSD_1: SharedCurrentCard = SharedCurrentCard {
    g: 2.242e-3,
    mu: 103.2,
    gamma: 1.26,
    c: 3.40,
    ig0: 8.025e-8,
    gg: 6.177e-4,
    cg: 9.901,
    xi: 1.314,
};

/// The same table.
pub const RSD_2: SharedCurrentCard = SharedCurrentCard {
    g: 2.173e-3,
    mu: 100.2,
    gamma: 1.28,
    c: 3.19,
    ig0: 4.527e-8,
    gg: 5.911e-4,
    cg: 11.76,
    xi: 1.358,
};

/// I. Cohen, T. Helie, "Measures and models of real triodes, for the simulation of guitar amplifiers",
/// Acoustics 2012 (plate current, read in one transcription); the grid is that of RSD-1.
pub const COHEN_HELIE: ContactCard = ContactCard {
    koren: TriodeCard { mu: 105.0, ex: 1.277, kg1: 1335.0, kp: 578.2, kvb: 50.0, ..KOREN_12AX7 },
    kvb2: 18.8,
    contact_volts: 0.378,
};
