#!/bin/sh
# Makes what is handed out, in dist/: a Debian package for each architecture, the wheel and the source.
#
#   sh deploy/package.sh         makes them; needs Debian's python3-venv and dpkg, and the package index
#   sh deploy/package.sh lock    renews deploy/locked.txt: the newest libraries that pyproject.toml allows
#
# ARCHITECTURES="arm64" makes the package for that one only. None of it is compiled here, so any machine makes them all,
# and twice the same comes out, byte for byte: the libraries are those of deploy/locked.txt, by their checksums, and all
# times are that of the last entry in deploy/changelog (or SOURCE_DATE_EPOCH).
#
# The libraries come along: Debian has them too old, or not at all. They lie unpacked in /usr/lib/surpluscharge, beside
# the daemon, and nowhere else: nothing is fetched or made at installation, dpkg knows and can verify each file, and no
# other program sees them. One of them is compiled, for each Python: the names of such files say for which, so that they
# lie side by side, and a computer that goes from Debian 12 to 13 goes on. Hence no debhelper: what it would do is here.
set -eu

fail() { printf 'surpluscharge: %s\n' "$*" >&2; exit 1; }

# Debian 12 and 13: their Python, and what the makers of Python's packages call their architectures.
PYTHONS='3.11 3.13'
PLATFORMS='amd64=x86_64 arm64=aarch64 armhf=armv7l'
# With these extras: small, pure Python, and what somebody will ask for who has no pip at hand.
EXTRAS='mail,metrics,watch'
# But not these, more than half of it all: rich draws code and Markdown with them, and here nobody does.
OMITTED='markdown-it-py mdurl pygments'

root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
architectures=${ARCHITECTURES:-$(for each in $PLATFORMS; do printf '%s ' "${each%=*}"; done)}
build=$root/build/package
dist=$root/dist
wheels=$build/wheels
python=$build/tools/bin/python
umask 022
unset PYTHONPATH PYTHONHOME
export PYTHONDONTWRITEBYTECODE=1 PIP_DISABLE_PIP_VERSION_CHECK=1

command -v dpkg-deb >/dev/null || fail 'needs dpkg-deb (Debian: apt-get install dpkg)'
mkdir -p "$wheels" "$dist"
"$python" -m pip --version >/dev/null 2>&1 || python3 -m venv --clear "$build/tools" ||
    fail 'needs the venv module of Python 3.11 or later (Debian: apt-get install python3-venv)'

platform_of() { # architecture
    for pair in $PLATFORMS; do
        if [ "${pair%=*}" = "$1" ]; then printf '%s\n' "${pair#*=}"; return; fi
    done
    fail "knows no architecture $1, only: $PLATFORMS"
}

# The wheels of requirements, for one architecture and one Python.
fetch() { # architecture, version of Python, pip's options
    platform=$(platform_of "$1")
    release=$2
    shift 2
    "$python" -m pip download --quiet --no-deps --only-binary=:all: --dest "$wheels" --implementation cp \
        --python-version "$release" --platform "manylinux_2_17_$platform" --platform "manylinux2014_$platform" "$@" ||
        fail 'could not fetch the libraries: is there a connection to the package index?'
}

# Those of them that are compiled, for all architectures and each Python.
fetch_compiled() { # a list of them
    [ -s "$1" ] || return 0
    for architecture in $architectures; do
        for each in $PYTHONS; do
            fetch "$architecture" "$each" --requirement "$1"
        done
    done
}

lock=$root/deploy/locked.txt
if [ "${1-}" = lock ]; then
    rm -f "$wheels"/*
    "$python" -m pip install --quiet --dry-run --ignore-installed --report "$build/report.json" \
        "$root[$EXTRAS]" 'setuptools>=77'
    "$python" - "$build/report.json" "$OMITTED" >"$build/wanted.txt" <<'END'
import json, re, sys
found = {re.sub(r"[-_.]+", "-", one["metadata"]["name"]).lower(): one["metadata"]["version"]
         for one in json.load(open(sys.argv[1]))["install"]}
for name in ("surpluscharge", *sys.argv[2].split()):
    del found[name]
print(*(f"{name}=={version}" for name, version in sorted(found.items())), sep="\n")
END
    fetch amd64 3.11 --requirement "$build/wanted.txt"
    for each in "$wheels"/*; do
        case $each in *-any.whl) ;; *) basename "$each" | sed 's/^\([^-]*\)-\([^-]*\)-.*/\1==\2/' ;; esac
    done >"$build/compiled.txt"
    fetch_compiled "$build/compiled.txt"
    "$python" - "$build/wanted.txt" "$wheels" >"$lock" <<'END'
import hashlib, pathlib, re, sys
print("# What deploy/package.sh packs, and (setuptools) builds with. `sh deploy/package.sh lock` writes it anew.")
for line in pathlib.Path(sys.argv[1]).read_text().split():
    stem = re.sub(r"[-_.]+", "_", line.partition("==")[0]) + "_" + line.partition("==")[2]
    files = [one for one in sorted(pathlib.Path(sys.argv[2]).iterdir())
             if "_".join(one.name.lower().split("-")[:2]) == stem]
    print(line, *(f"--hash=sha256:{hashlib.sha256(one.read_bytes()).hexdigest()}" for one in files))
END
    exit
fi
[ $# -eq 0 ] || fail "does not know $1: sh deploy/package.sh, or sh deploy/package.sh lock"

# --- the source, from which all is made: a copy, with the modes and times that it has everywhere ----------------------

version=$(sed -n 's/^__version__ = "\(.*\)"$/\1/p' "$root/surpluscharge/__init__.py")
entry=$(sed -n '1s/^surpluscharge (\([^)]*\)) .*/\1/p' "$root/deploy/changelog")
[ "$version" = "$entry" ] || fail "deploy/changelog begins with $entry, and surpluscharge/__init__.py says $version"
dated=$(sed -n 's/^ -- .*>  //p' "$root/deploy/changelog" | head -n 1)
SOURCE_DATE_EPOCH=${SOURCE_DATE_EPOCH:-$(date -u -d "$dated" +%s)}
export SOURCE_DATE_EPOCH

alike() {
    find "$1" -name __pycache__ -prune -exec rm -r {} +
    chmod -R u=rwX,go=rX "$1"
    find "$1" -exec touch -h -d "@$SOURCE_DATE_EPOCH" {} +
}

source=$build/source
rm -rf "$source" "$dist"/surpluscharge[-_]*
mkdir "$source"
for each in surpluscharge deploy tests config.example.toml pyproject.toml LICENSE README.md DEVELOPERS.md; do
    cp -R "$root/$each" "$source/"
done
alike "$source"

# --- libraries, wheel and source archive ------------------------------------------------------------------------------

# A second run finds them here, and needs no network. pip looks at the checksums, as does what unpacks them below.
have=$wheels/$(cksum <"$lock" | tr ' ' -)-$(printf %s "$architectures" | tr ' ' -)
if [ ! -e "$have" ]; then
    grep -v 'hash.*hash' "$lock" >"$build/pure.txt"
    grep 'hash.*hash' "$lock" >"$build/compiled.txt" || true
    fetch amd64 3.11 --require-hashes --requirement "$build/pure.txt"
    fetch_compiled "$build/compiled.txt"
    touch "$have"
fi
"$python" -m pip install --quiet --no-index --find-links "$wheels" "$(grep -o '^setuptools==[^ ]*' "$lock")"
(
    cd "$source"
    "$python" - "$dist" <<'END'
import gzip, io, os, pathlib, sys, tarfile
from setuptools import build_meta

dist, epoch_s = pathlib.Path(sys.argv[1]), int(os.environ["SOURCE_DATE_EPOCH"])
build_meta.build_wheel(str(dist))
archive = dist / build_meta.build_sdist(str(dist))
# Here the time and the user of this build are still in it.
with tarfile.open(archive) as tar:
    members = [(one, tar.extractfile(one).read() if one.isfile() else b"") for one in tar]
with archive.open("wb") as raw, gzip.GzipFile("", "wb", 9, raw, epoch_s) as packed, \
        tarfile.open(fileobj=packed, mode="w", format=tarfile.GNU_FORMAT) as tar:
    for one, content in sorted(members, key=lambda pair: pair[0].name):
        plain = tarfile.TarInfo(one.name)
        plain.type, plain.size, plain.mtime = one.type, len(content), epoch_s
        plain.mode = 0o755 if one.isdir() or one.mode & 0o100 else 0o644
        tar.addfile(plain, io.BytesIO(content))
END
) >"$build/setuptools.log" 2>&1 || { cat "$build/setuptools.log" >&2; fail 'could not build the wheel'; }
wheel=$dist/surpluscharge-$version-py3-none-any.whl

# --- the package ------------------------------------------------------------------------------------------------------

put() { # mode, file, place in the package
    install -D -m "$1" "$2" "$tree$3"
}

for architecture in $architectures; do
    tree=$build/$architecture
    lib=$tree/usr/lib/surpluscharge
    doc=/usr/share/doc/surpluscharge
    rm -rf "$tree"
    mkdir -p "$lib" "$tree/DEBIAN"

    "$python" - "$lock" "$wheels" "$(platform_of "$architecture")" "$wheel" "$lib" <<'END'
import hashlib, pathlib, re, sys, zipfile

lock, wheels, platform, own, lib = sys.argv[1:]
wanted = set(re.findall(r"sha256:([0-9a-f]{64})", pathlib.Path(lock).read_text()))
for file in [*sorted(pathlib.Path(wheels).glob("*.whl")), pathlib.Path(own)]:
    if file.name.startswith("setuptools-") or not file.stem.endswith(("-any", platform)):
        continue
    if str(file) != own and hashlib.sha256(file.read_bytes()).hexdigest() not in wanted:
        continue  # of another lock
    with zipfile.ZipFile(file) as packed:
        for one in packed.infolist():
            top = one.filename.partition("/")[0]
            # How it came here, and the commands of others, are nobody's concern; .data holds pages of manuals.
            if top.endswith(".data") or one.filename.endswith((".dist-info/RECORD", ".dist-info/WHEEL",
                                                               ".dist-info/entry_points.txt")):
                continue
            packed.extract(one, lib)
END
    for each in $PYTHONS; do
        ls "$lib"/pydantic_core/*.cpython-"$(printf %s "$each" | tr -d .)"-*.so >/dev/null ||
            fail "the compiled library for Python $each on $architecture is missing"
    done

    put 755 "$root/deploy/debian/surpluscharge" /usr/bin/surpluscharge
    put 755 "$root/deploy/debian/rtupdate" /usr/share/python3/runtime.d/surpluscharge.rtupdate
    for unit in "$root"/deploy/surpluscharge*.service "$root"/deploy/surpluscharge*.timer; do
        put 644 "$unit" "/usr/lib/systemd/system/${unit##*/}"
    done
    put 644 "$root/deploy/sysusers.conf" /usr/lib/sysusers.d/surpluscharge.conf
    put 644 "$root/deploy/tmpfiles.conf" /usr/lib/tmpfiles.d/surpluscharge.conf
    mkdir -p "$tree$doc"
    {
        cat "$root/LICENSE"
        printf '\nThe libraries in /usr/lib/surpluscharge have licences of their own: each in its *.dist-info there.\n'
    } >"$tree$doc/copyright"
    put 644 "$root/README.md" $doc/README.md
    put 644 "$root/deploy/manual.md" $doc/deploy/manual.md
    put 644 "$root/deploy/day.svg" $doc/deploy/day.svg
    put 644 "$root/config.example.toml" /usr/share/surpluscharge/config.example.toml
    install -d "$tree/usr/share/man/man1"
    gzip -9 -n <"$root/deploy/surpluscharge.1" >"$tree/usr/share/man/man1/surpluscharge.1.gz"
    put 644 "$root/deploy/completion.bash" /usr/share/bash-completion/completions/surpluscharge
    put 644 "$root/deploy/completion.zsh" /usr/share/zsh/vendor-completions/_surpluscharge
    put 644 "$root/deploy/completion.fish" /usr/share/fish/vendor_completions.d/surpluscharge.fish
    ln -s ../../surpluscharge/config.example.toml "$tree$doc/config.example.toml"
    put 644 "$root/deploy/mosquitto.conf" $doc/deploy/mosquitto.conf
    put 644 "$root/deploy/mosquitto.acl" $doc/deploy/mosquitto.acl
    gzip -9 -n <"$root/deploy/changelog" >"$tree$doc/changelog.gz"
    put 644 "$root/deploy/debian/overrides" /usr/share/lintian/overrides/surpluscharge

    for script in postinst prerm postrm; do
        put 755 "$root/deploy/debian/$script" /DEBIAN/$script
    done
    # python3 (>= 3.11), and none of those between and after, for which there is nothing in it.
    sed -e "s/@VERSION@/$version/" -e "s/@ARCHITECTURE@/$architecture/" \
        -e "s/@INSTALLED_SIZE@/$(find "$tree/usr" -type f -printf '%s\n' | awk '{ sum += int(($1 + 1023) / 1024) } END { print sum }')/" \
        "$root/deploy/debian/control" >"$tree/DEBIAN/control"
    (cd "$tree" && find usr -type f -print0 | LC_ALL=C sort -z | xargs -0 md5sum) >"$tree/DEBIAN/md5sums"
    alike "$tree"
    dpkg-deb --root-owner-group --threads-max=1 -Zxz --build "$tree" \
        "$dist/surpluscharge_${version}_$architecture.deb" >/dev/null
done
cd "$dist"
ls -l "surpluscharge_$version"_*.deb "surpluscharge-$version"*
