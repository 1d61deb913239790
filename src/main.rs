//! The command: a thin table of steps over the library.

mod command;

fn main() -> std::process::ExitCode {
    command::main()
}
