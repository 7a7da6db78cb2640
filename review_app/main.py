"""The pages, in one place.

Streamlit runs this file as the program's main module, so the processes that read photographs import it when they start:
nothing happens, and nothing heavy is loaded, unless it is run as a page.
"""


def show() -> None:
    """Draw the page that was asked for, out of those that whoever asks may open."""
    from pathlib import Path

    import streamlit as st

    from digitise import log
    from review_app.components import component
    from review_app.door.rights import OPENED_FIRST, SCREENS
    from review_app.naming import learn_name
    from review_app.opening import me

    st.set_page_config(page_title="Survey sheets", layout="wide")
    st.html(Path(__file__).parent / "static" / "page.css")
    visitor = me()
    allowed = [s for s in SCREENS if visitor.may(s.need)]
    first = next((s for s in allowed if s.name == OPENED_FIRST), allowed[0])
    page = st.navigation(
        [st.Page(f"views/{s.name}.py", title=s.title, default=s is first) for s in allowed], position="top"
    )
    component("review_menu", "nothing.html", (), ("menu.js",))(key="menu")
    learn_name()
    try:
        page.run()
    except Exception as error:
        log.trouble("screen", error, screen=page.url_path)
        raise


if __name__ == "__main__":
    show()
