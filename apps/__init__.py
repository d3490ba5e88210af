"""The faces of passim: the command line, installed as the import package passim_apps. Skins only: no arithmetic."""
