"""The pages, one file each: Streamlit runs them as scripts."""
