//! The boards that the house ships are readable, printable, and what their names say.

use drawarc_calibration::{Board, Paper, Sheet};
use std::path::Path;

#[test]
fn shipped_boards() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../calibration");
    let mut seen = 0;
    for entry in std::fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        if path
            .extension()
            .is_some_and(|extension| extension == "yaml")
        {
            let board = Board::read(&path).unwrap();
            let name = path.file_stem().unwrap().to_str().unwrap();
            let size = format!(
                "{}x{}-{:.0}mm",
                board.columns,
                board.rows,
                board.pitch_x_m * 1000.0
            );
            assert!(name.ends_with(&size), "{name} holds {size}");
            let one_page = |paper| Sheet::new(&board, paper).unwrap().pages_mm().len() == 1;
            assert_eq!(one_page(Paper::A4), name.starts_with("a4"), "{name}");
            assert_eq!(one_page(Paper::A3), !name.starts_with("large"), "{name}");
            seen += 1;
        }
    }
    assert_eq!(seen, 3);
}
