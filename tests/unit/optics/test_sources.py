"""Sources shown on pages are standards, or say that there is none: no page of somebody's is named."""

from shimwise.optics.mounts import mounts


def test_no_mount_names_a_web_page() -> None:
    for mount in mounts():
        assert not any(word in mount.source for word in ("web", ".com", "blog", "article"))
