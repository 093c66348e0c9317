//! Rebuilds when a migration folder is added: cargo does not see new folders
//! behind the macro that embeds them.

fn main() {
    println!("cargo:rerun-if-changed=migrations");
    println!("cargo:rerun-if-changed=src/build.rs");
}
