#!/bin/sh
# Boots a small emulated machine with a virtual webcam and lets the program look at it.
#
#   guest.sh PROGRAM PICTURES OUT CACHE
#
# PROGRAM   plumbsight, built with --features webcam
# PICTURES  folder with `size` (width height), `raw/` (YUYV pictures), `jpeg/`, `job/` (a job to be surveyed) and `stand/1`, `2`, `3` (YUYV pictures of its stand, ever elsewhere)
# OUT       gets `console.txt` and what the program saved
# CACHE     kernel package and built module are kept here for the next time
#
# Debian 12, packages: qemu-system-x86 busybox-static cpio kmod v4l-utils make gcc and linux-headers for the kernel below. The kernel and v4l2loopback's source are fetched
# with `apt-get download` and only unpacked; nothing is loaded into this machine's own kernel.
set -eu
program=$(realpath "$1")
pictures=$(realpath "$2")
mkdir -p "$3" "$4"
out=$(realpath "$3")
cache=$(realpath "$4")
here=$(dirname "$(realpath "$0")")

for tool in qemu-system-x86_64 cpio depmod v4l2-ctl make gcc; do
    PATH=$PATH:/sbin:/usr/sbin command -v $tool >/dev/null || {
        echo "guest.sh: $tool is missing (apt-get install qemu-system-x86 busybox-static cpio kmod v4l-utils make gcc)" >&2
        exit 3
    }
done
PATH=$PATH:/sbin:/usr/sbin
busybox=/bin/busybox
package=$(apt-cache depends linux-image-amd64 | sed -n 's/ *Depends: \(linux-image-[0-9].*\)/\1/p' | head -1)
version=${package#linux-image-}
version=${version%-unsigned}

cd "$cache"
if [ ! -e "kernel-$version/boot/vmlinuz-$version" ]; then
    apt-get download "$package" 2>/dev/null
    dpkg-deb -x "$package"_*.deb "kernel-$version"
    depmod -b "kernel-$version" "$version"
fi
if [ ! -e "loopback-$version.ko" ]; then
    [ -d "/usr/src/linux-headers-$version" ] || {
        echo "guest.sh: apt-get install linux-headers-$version" >&2
        exit 3
    }
    apt-get download v4l2loopback-dkms 2>/dev/null
    dpkg-deb -x v4l2loopback-dkms_*.deb loopback-source
    source=$(dirname "$(find loopback-source -name v4l2loopback.c)")
    make -C "/usr/src/linux-headers-$version" M="$cache/$source" modules >/dev/null
    cp "$source/v4l2loopback.ko" "loopback-$version.ko"
fi

# The guest's whole disk: an archive in memory.
root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT
mkdir -p "$root/bin" "$root/lib" "$root/lib64" "$root/modules" "$root/proc" "$root/sys" "$root/dev"
cp $busybox "$root/bin/busybox"
cp "$here/init" "$root/init"
chmod 755 "$root/init"
strip -o "$root/bin/plumbsight" "$program"
cp "$(command -v v4l2-ctl)" "$root/bin/"
for file in $(ldd "$program" "$root/bin/v4l2-ctl" | sed -n 's/.* \(\/[^ ]*\) (0x.*/\1/p; s/^\t\(\/[^ ]*\) (0x.*/\1/p' | sort -u); do
    cp -L "$file" "$root/lib/"
    case $file in */ld-linux*) cp -L "$file" "$root/lib64/" ;; esac
done
# Each module after those it needs.
order() {
    list=$1
    shift
    for module; do
        modprobe -d "$cache/kernel-$version" -S "$version" --show-depends "$module" | awk '$1 == "insmod" { print $2 }'
    done | awk '!seen[$0]++' | while read -r path; do
        name=$(basename "$path" .ko)
        cp "$path" "$root/modules/"
        [ "$name" = vivid ] || echo "$name"
    done >"$root/modules/$list"
}
order order-disk virtio_pci virtio_blk
order order-loopback videodev
order order-vivid vivid
grep -v -x -F -f "$root/modules/order-loopback" "$root/modules/order-vivid" >"$root/modules/rest"
mv "$root/modules/rest" "$root/modules/order-vivid"
cp "loopback-$version.ko" "$root/modules/v4l2loopback.ko"
cp -r "$pictures" "$root/pictures"
(cd "$root" && find . | cpio --quiet -o -H newc) >"$out/guest.cpio"

# What the guest hands back is written to this disk as a tar archive.
truncate -s 256M "$out/back.img"
timeout 600 qemu-system-x86_64 -accel tcg -cpu max -smp 2 -m 1536 -nographic -no-reboot -net none \
    -kernel "kernel-$version/boot/vmlinuz-$version" -initrd "$out/guest.cpio" -append "console=ttyS0 quiet panic=-1" \
    -drive "file=$out/back.img,format=raw,if=virtio" </dev/null >"$out/console.txt" 2>&1 || true
rm "$out/guest.cpio"
tar -C "$out" -xf "$out/back.img"
rm "$out/back.img"
