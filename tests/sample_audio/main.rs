//! The dry clips of `sample-audio/`: that they are what the program makes, and that what it makes
//! behaves like a guitar.

#[path = "../../sample-audio/guitar/mod.rs"]
mod guitar;

mod strings;
mod takes;
