"""Rendered shots, made once for all tests that want them; the rig is imported only then, as that takes seconds."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from rendered_shots import RenderedShot


@pytest.fixture(scope="session")
def plain_shot(tmp_path_factory: pytest.TempPathFactory) -> RenderedShot:
    """Three whole cards."""
    import rendered_shots as shots

    return shots.rendered_shot(shots.plain_scene(), tmp_path_factory.mktemp("plain") / "a.jpg")


@pytest.fixture(scope="session")
def bare_shot(tmp_path_factory: pytest.TempPathFactory) -> RenderedShot:
    """The square and no card."""
    import rendered_shots as shots

    return shots.rendered_shot(shots.without_cards(shots.plain_scene()), tmp_path_factory.mktemp("bare") / "b.jpg")


@pytest.fixture(scope="session")
def cut_shot(tmp_path_factory: pytest.TempPathFactory) -> RenderedShot:
    """One of three cards reaches over the frame."""
    import rendered_shots as shots

    scene = shots.with_a_card_over_the_frame(shots.plain_scene())
    return shots.rendered_shot(scene, tmp_path_factory.mktemp("cut") / "c.jpg")


@pytest.fixture(scope="session")
def overlapped_shot(tmp_path_factory: pytest.TempPathFactory) -> RenderedShot:
    """One of three cards lies on another."""
    import rendered_shots as shots

    scene = shots.with_a_card_on_another(shots.plain_scene())
    return shots.rendered_shot(scene, tmp_path_factory.mktemp("overlapped") / "d.jpg")
