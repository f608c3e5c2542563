//! Still pictures: read and written.

use crate::common::{ffmpeg, opencv_doc};
use drawarc_footage::{Limits, RgbImage, encode_jpeg, read_still, read_still_gray, write_png};

#[test]
fn stills_are_read_and_written() {
    let folder = tempfile::tempdir().unwrap();
    let limits = Limits::default();
    let mut image = RgbImage::filled(33, 21, [200, 100, 50]);
    image.set(5, 7, [1, 2, 3]);
    let png = folder.path().join("picture.png");
    write_png(&png, &image).unwrap();
    let raw = folder.path().join("picture.ppm");
    ffmpeg(&[
        "-i",
        png.to_str().unwrap(),
        "-pix_fmt",
        "rgb24",
        raw.to_str().unwrap(),
    ]);
    let bytes = std::fs::read(&raw).unwrap();
    assert_eq!(
        bytes[bytes.len() - image.samples.len()..],
        image.samples,
        "FFmpeg reads our PNG back exactly"
    );
    let back = read_still(&png, &limits).unwrap().to_rgb(0);
    assert!(
        back.get(20, 15)
            .iter()
            .zip([200_u8, 100, 50])
            .all(|(ours, wanted)| ours.abs_diff(wanted) <= 3),
        "{:?}",
        back.get(20, 15)
    );

    let smooth = {
        let mut image = RgbImage::filled(64, 64, [0, 0, 0]);
        for y in 0..64 {
            for x in 0..64 {
                image.set(x, y, [(4 * x) as u8, (4 * y) as u8, 128]);
            }
        }
        image
    };
    let sizes = [30, 90].map(|quality| {
        let bytes = encode_jpeg(&smooth, quality).unwrap();
        let path = folder.path().join("picture.jpg");
        std::fs::write(&path, &bytes).unwrap();
        let back = read_still(&path, &limits).unwrap().to_rgb(0);
        let worst = back
            .samples
            .iter()
            .zip(&smooth.samples)
            .map(|(a, b)| a.abs_diff(*b))
            .max()
            .unwrap();
        assert!(
            worst < if quality == 90 { 16 } else { 60 },
            "{quality}: {worst}"
        );
        bytes.len()
    });
    assert!(sizes[0] < sizes[1], "{sizes:?}");
    assert_eq!(
        encode_jpeg(&smooth, 90).unwrap(),
        encode_jpeg(&smooth, 90).unwrap()
    );

    assert!(read_still(&folder.path().join("none.png"), &limits).is_err());
    std::fs::write(&png, &std::fs::read(&png).unwrap()[..60]).unwrap();
    assert!(read_still(&png, &limits).is_err());
    assert!(
        encode_jpeg(
            &RgbImage {
                width_px: 5,
                height_px: 5,
                samples: vec![0; 7]
            },
            90
        )
        .is_err()
    );
}

#[test]
fn gray_levels_of_stills_are_exact() {
    let folder = tempfile::tempdir().unwrap();
    let limits = Limits::default();
    let pgm = folder.path().join("ramp.pgm");
    std::fs::write(
        &pgm,
        [
            b"P5 16 16 255\n".as_slice(),
            &(0..=255).collect::<Vec<u8>>(),
        ]
        .concat(),
    )
    .unwrap();
    let gray = read_still_gray(&pgm, &limits).unwrap();
    assert_eq!(gray.as_u8().unwrap(), (0..=255).collect::<Vec<u8>>());
    // A real photograph of Debian's opencv-doc, against the program.
    let photo = opencv_doc("left01.jpg", folder.path());
    let theirs = folder.path().join("left01.pgm");
    ffmpeg(&[
        "-i",
        photo.to_str().unwrap(),
        "-pix_fmt",
        "gray",
        theirs.to_str().unwrap(),
    ]);
    let ours = read_still_gray(&photo, &limits).unwrap();
    assert_eq!(ours, read_still_gray(&theirs, &limits).unwrap());
}
