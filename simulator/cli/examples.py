"""Examples that each command's --help ends with."""

EXAMPLES = {
    "demo": (
        "fairhearing demo",
        "fairhearing demo --out demo-audio",
    ),
    "measure": (
        "fairhearing measure master.wav",
        "fairhearing measure album --csv > album.csv",
    ),
    "predict": (
        "fairhearing predict loud.wav open.wav",
        "fairhearing predict loud.wav open.wav --profile all",
        "fairhearing predict song.toml --profile r128,minus14-headroom",
    ),
    "compare": (
        "fairhearing compare loud.wav open.wav",
        "fairhearing compare song.toml --figure pair.svg",
        "fairhearing compare loud.wav open.wav --noise 12 --out noise",
    ),
    "ladder": (
        "fairhearing ladder mix.wav",
        "fairhearing ladder mix.wav --loudness -16,-12 --style clip-limit",
        "fairhearing ladder mix.wav --loudness -16,-12 --out rungs",
    ),
    "listen": (
        "fairhearing listen loud.wav open.wav",
        "fairhearing listen song.toml --profile r128",
        "fairhearing listen demo",
    ),
    "page": (
        "fairhearing page song.toml -o song.html",
        "fairhearing page song.toml -o vote.html --vote 16",
        "fairhearing page song.toml -o noted.html --with notes,marks",
    ),
    "votes": (
        "fairhearing votes vote.txt",
        "fairhearing votes vote.txt --session song.session.json",
    ),
    "check": (
        "fairhearing check master.wav --target -14 --ceiling -1",
        "fairhearing check master.wav --decision song.session.json",
        "fairhearing check master.wav --for minus14-opus128",
    ),
    "render": (
        "fairhearing render song.toml --out as-played",
        "fairhearing render loud.wav open.wav --out flac --format flac24",
    ),
    "export": (
        "fairhearing export song.session.json -o marks.csv",
        "fairhearing export song.toml -o song.xspf",
    ),
    "profiles": (
        "fairhearing profiles list",
        "fairhearing profiles show minus14-headroom",
        "fairhearing profiles new my-player.toml --from r128",
    ),
    "guide": (
        "fairhearing guide",
        "fairhearing guide artist",
    ),
    "settings": (
        "fairhearing settings",
        "FAIRHEARING_PROFILE=r128 fairhearing settings",
    ),
    "doctor": (
        "fairhearing doctor",
        "fairhearing doctor --tone",
    ),
    "cache": (
        "fairhearing cache",
        "fairhearing cache --limit 500",
        "fairhearing cache --clear demo",
    ),
    "schema": (
        "fairhearing schema",
        "fairhearing schema measure",
    ),
    "completion": (
        "fairhearing completion bash",
        "fairhearing completion fish",
    ),
}
