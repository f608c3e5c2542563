use ffmpeg_next as ff;

/// Name and version of the libraries of FFmpeg that decode and encode here.
pub fn libraries() -> Vec<(&'static str, String)> {
    let words = |version: u32| {
        format!(
            "{}.{}.{}",
            version >> 16,
            (version >> 8) & 0xff,
            version & 0xff
        )
    };
    vec![
        ("libavcodec", words(ff::codec::version())),
        ("libavformat", words(ff::format::version())),
        ("libavutil", words(ff::util::version())),
    ]
}
