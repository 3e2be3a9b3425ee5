#!/bin/sh
# The whole product on the drivers that a lab has: boots a Debian kernel in an emulator, with a 16550 UART and a USB serial adapter, each joined to
# brunt-sim on the host, and runs bruntd and a contract check inside. About a minute; no KVM needed. 77: skipped (packages missing).
set -u
cd "$(dirname "$0")/../.." || exit 2
root=$PWD
. tests/packages.sh
need_packages qemu-system-x86 linux-image-amd64 busybox-static cpio kmod || { echo "packages for the emulated machine are missing"; exit 77; }
kernel=$(ls /boot/vmlinuz-*-amd64 | sort -V | tail -n 1)
release=${kernel#/boot/vmlinuz-}
drivers=/lib/modules/$release/kernel/drivers/usb
[ -d "$drivers" ] || { echo "no kernel modules of $release"; exit 77; }
work=$(mktemp -d)
sim_pid=
leave() {
    [ -n "$sim_pid" ] && kill "$sim_pid" 2>/dev/null
    rm -rf "$work"
}
trap leave EXIT
guest=$work/root
mkdir -p "$guest/bin" "$guest/dev" "$guest/proc" "$guest/sys" "$guest/modules" "$guest/etc" "$guest/run" "$guest/tmp" "$guest/brunt"
put_program() {
    cp "$1" "$guest/bin/"
    ldd "$1" | grep -o '/[^ ]*' | while read -r lib; do
        mkdir -p "$guest$(dirname "$lib")"
        cp -L "$lib" "$guest$lib"
    done
}
for program in bruntd brunt brunt-guard; do put_program "$root/build/bin/$program"; done
cp /bin/busybox "$guest/bin/"
for module in common/usb-common core/usbcore host/xhci-hcd host/xhci-pci serial/usbserial serial/ftdi_sio; do
    cp "$drivers/$module.ko" "$guest/modules/" || exit 77
done
cp -r profiles "$guest/brunt/"
cp tests/machine/bench.cfg tests/machine/profile.cfg "$guest/brunt/"
echo 'root:x:0:0::/:/bin/sh' >"$guest/etc/passwd"
echo 'root:x:0:' >"$guest/etc/group"
cat >"$guest/init" <<'I'
#!/bin/busybox sh
B=/bin/busybox
$B mount -t devtmpfs d /dev; $B mount -t proc p /proc; $B mount -t sysfs s /sys
for m in usb-common usbcore xhci-hcd xhci-pci usbserial ftdi_sio; do $B insmod /modules/$m.ko; done
n=0; while [ ! -e /dev/ttyUSB0 ] && [ $n -lt 20 ]; do $B sleep 1; n=$((n+1)); done
export BRUNT_PROFILES=/brunt/profiles
/bin/bruntd --dir /run/brunt --socket /run/socket --bench /brunt/bench.cfg --dialects /brunt/profiles/dialects --guard /bin/brunt-guard >/run/log 2>&1 &
daemon=$!
n=0; until /bin/brunt bench --socket /run/socket --json 2>/dev/null | $B grep -q '"ready": true'; do
    n=$((n+1)); [ $n -gt 60 ] && break; $B sleep 0.5; done
/bin/brunt bench --socket /run/socket
/bin/brunt check --socket /run/socket --profile /brunt/profile.cfg /brunt/profiles/supply-sample.cfg 2>/run/progress
echo "status $?"
$B tail -n 5 /run/progress
kill $daemon; $B sleep 1; $B cat /run/log
echo "guest is done"
$B poweroff -f
I
chmod +x "$guest/init"
(cd "$guest" && find . | cpio -o -H newc 2>/dev/null | gzip -1) >"$work/initrd.gz"
cp profiles/sim/*.cfg tests/machine/sim.cfg "$work/"
build/bin/brunt-sim --dir "$work" "$work/sim.cfg" >"$work/sim.log" 2>&1 & sim_pid=$!
tries=0
until grep -q ready "$work/sim.log"; do
    tries=$((tries + 1)); [ $tries -gt 50 ] && { cat "$work/sim.log"; exit 1; }
    sleep 0.1
done
timeout 240 qemu-system-x86_64 -accel tcg -m 256 -display none -no-reboot -kernel "$kernel" -initrd "$work/initrd.gz" \
    -append "console=ttyS0 quiet panic=1" -serial stdio -chardev socket,id=a,path="$work/load1.sock" -serial chardev:a \
    -device qemu-xhci -chardev socket,id=b,path="$work/selector1.sock" -device usb-serial,chardev=b,always-plugged=on </dev/null >"$work/console" 2>&1
tr -d '\r' <"$work/console" | grep -a -v '^\[' | tail -n 80
grep -a -q '^status 0' "$work/console" && grep -a -q 'Verdict: pass' "$work/console" && exit 0
cat "$work/sim.log"
exit 1
