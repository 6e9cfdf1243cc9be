//! The commands: one file each. They read what the user names, call the library and print.

mod amps;
mod ask;
pub mod audition;
mod breakup;
mod demo;
mod dials;
mod failure;
mod input;
mod level;
mod listen;
mod live;
mod new;
mod output;
mod page;
mod progress;
mod render;
mod report;
mod response;
mod spread;
mod tone;
mod values;

use clap::{Parser, Subcommand};

pub use failure::Failure;
pub use new::SAMPLE_CLIP;

/// Hear a modification of a guitar valve amplifier before the iron is hot, and prove afterwards
/// that it did what was promised.
#[derive(Debug, Parser)]
#[command(name = "presolder", version, about, after_help = EXAMPLE)]
pub struct CommandLine {
    #[command(subcommand)]
    command: Command,
}

const EXAMPLE: &str = "Example:\n  presolder demo --out demo\n\n\
Valve amplifiers hold lethal voltages, also when switched off. Work inside one is for qualified\n\
technicians: mains off, filter capacitors discharged and measured, local electrical codes first.";

#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::DemoArgs),
    New(new::New),
    Amps(amps::Amps),
    Render(render::RenderArgs),
    Report(report::ReportArgs),
    Page(page::PageArgs),
    Response(response::ResponseArgs),
    Breakup(breakup::BreakupArgs),
    Dials(dials::DialsArgs),
    Level(level::LevelArgs),
    Live(Box<live::LiveArgs>),
    Spread(spread::SpreadArgs),
    Tone(tone::ToneArgs),
    Values(values::ValuesArgs),
}

/// Runs the command of a command line.
///
/// # Errors
/// [`Failure`], with the exit status that belongs to it.
pub fn run(command_line: &CommandLine) -> Result<(), Failure> {
    match &command_line.command {
        Command::Demo(args) => demo::run(args),
        Command::New(args) => new::run(args),
        Command::Amps(args) => amps::run(args),
        Command::Render(args) => render::run(args),
        Command::Report(args) => report::run(args),
        Command::Page(args) => page::run(args),
        Command::Response(args) => response::run(args),
        Command::Breakup(args) => breakup::run(args),
        Command::Dials(args) => dials::run(args),
        Command::Level(args) => level::run(args),
        Command::Live(args) => live::run(args),
        Command::Spread(args) => spread::run(args),
        Command::Tone(args) => tone::run(args),
        Command::Values(args) => values::run(args),
    }
}
